"""The pricing of slots against the plain timeline, and the search against proofs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.planning.problems import problems, recipe, spread
from workers.planning.companion import Companion
from workers.planning.exact import cheapest
from workers.planning.problem import Problem
from workers.planning.rules import best_atcs, first_done, first_free
from workers.planning.schedule import cost_of, measure, timeline
from workers.planning.search import Limit, improve, insert_all
from workers.planning.slots import Slots


@given(problems(jobs=8), st.integers(0, 2**32 - 1))
@settings(max_examples=150, deadline=None)
def test_every_slot_costs_what_the_timeline_says(problem: Problem, seed: int) -> None:
    random = np.random.default_rng(seed)
    shuffled = random.permutation(problem.jobs)
    chosen = [int(random.choice(np.flatnonzero(problem.job == job))) for job in shuffled]
    orders = spread(problem, tuple(chosen[1:]))
    slots = Slots(problem, orders)
    offers = slots.price(np.flatnonzero(problem.job == shuffled[0]))
    for row, pairing in enumerate(offers.pairing.tolist()):
        machine = int(offers.machine[row])
        for slot in range(slots.room):
            if slot > len(orders[machine]):
                assert np.isinf(offers.cost[row, slot])
                continue
            new = [list(order) for order in orders]
            new[machine].insert(slot, pairing)
            runs = timeline(problem, new)
            measures = measure(problem, runs)
            without_makespan = measures.cost - problem.weights.makespan * measures.makespan
            assert slots.cost.sum() + offers.cost[row, slot] == pytest.approx(without_makespan)
            assert offers.last[row, slot] == pytest.approx(max(run.end for run in runs if run.machine == machine))


@given(problems(jobs=6))
@settings(max_examples=15, deadline=None)
def test_small_problems_are_searched_to_the_proved_optimum(problem: Problem) -> None:
    found = improve(problem, insert_all(problem), seed=1, limit=Limit(rounds=300))
    best = cheapest(problem)
    assert best is not None
    assert cost_of(problem, found.sequences) <= cost_of(problem, best) * 1.05 + 1e-9
    assert cost_of(problem, found.sequences) >= cost_of(problem, best) - 1e-9


@given(problems(jobs=8))
@settings(max_examples=40, deadline=None)
def test_rules_and_insertion_place_every_job_once(problem: Problem) -> None:
    for rule in (first_free, first_done, best_atcs, insert_all):
        measure(problem, timeline(problem, rule(problem)))  # raises unless every job is there once


def test_the_search_never_returns_worse_than_its_start() -> None:
    problem = recipe(20, 4, 49, seed=3)
    start = best_atcs(problem)
    costs = [cost_of(problem, improve(problem, start, seed=1, limit=Limit(rounds=n)).sequences) for n in (0, 20, 200)]
    assert costs[0] == cost_of(problem, start)
    assert costs[2] < costs[0]
    assert max(costs) == costs[0]


def test_equal_seeds_give_equal_plans_and_others_do_not() -> None:
    problem = recipe(25, 4, 124, seed=4)
    start = insert_all(problem)

    def run(seed: int) -> object:
        return improve(problem, start, seed=seed, limit=Limit(rounds=150)).sequences

    assert run(1) == run(1)
    assert run(1) != run(2)


def test_the_clock_ends_it() -> None:
    ticks = iter(np.arange(0.0, 100.0, 0.5))
    problem = recipe(10, 2, 9, seed=1)
    found = improve(problem, insert_all(problem), seed=1, limit=Limit(seconds=3.0, clock=lambda: float(next(ticks))))
    assert 0 < found.rounds < 200
    assert not found.cancelled


def test_a_companion_searches_too_and_can_be_stopped() -> None:
    problem = recipe(20, 4, 49, seed=3)
    start = best_atcs(problem)
    found = Companion(problem, start, seed=5, seconds=1.0).result_within(60.0)
    assert found is not None
    assert cost_of(problem, found) < cost_of(problem, start)
    endless = Companion(problem, start, seed=5, seconds=600.0)
    endless.stop()
    assert endless.result_within(0.0) is None
