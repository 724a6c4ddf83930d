"""The chain on plain lists against the one on arrays and against the plain timeline."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.planning.problems import problems, recipe, spread
from workers.model.plan import PlanWeights
from workers.planning.chain import Chain
from workers.planning.problem import Problem
from workers.planning.quick_chain import QuickChain, chain_of
from workers.planning.schedule import cost_of, timeline


def undated(problem: Problem) -> Problem:
    weights = replace(problem.weights, tardiness=0.0, flow=0.0, makespan=1.0)
    return replace(problem, weights=weights, release=np.zeros(problem.jobs))


@given(problems(jobs=8), st.integers(0, 2**32 - 1))
@settings(max_examples=100, deadline=None)
def test_every_round_leaves_the_cost_that_the_timeline_says(problem: Problem, seed: int) -> None:
    problem, random = undated(problem), np.random.default_rng(seed)
    chosen = tuple(int(random.choice(np.flatnonzero(problem.job == job))) for job in random.permutation(problem.jobs))
    start = tuple(tuple(order) for order in spread(problem, chosen))
    chain = chain_of(problem, start, str(seed))
    assert isinstance(chain, QuickChain)
    for used in (0.0, 0.5, 1.0):
        chain.cool(used)
        chain.round()
        assert chain._cost() == pytest.approx(cost_of(problem, chain.orders))
        runs = timeline(problem, chain.orders)
        assert sorted(run.job for run in runs) == list(range(problem.jobs))
        assert max(chain._ends) == pytest.approx(max(run.end for run in runs))
    assert chain.best == pytest.approx(cost_of(problem, chain.best_orders))


class Alike(QuickChain):
    """With the plain chain's weight of balance."""

    balance = Chain.balance


@given(problems(jobs=8), st.integers(0, 50))
@settings(max_examples=60, deadline=None)
def test_it_puts_a_job_where_the_arrays_put_it(problem: Problem, seed: int) -> None:
    problem, random = undated(problem), np.random.default_rng(seed)
    order = random.permutation(problem.jobs).tolist()
    quick, plain = (kind(problem, ((),) * problem.machines, "") for kind in (Alike, Chain))
    for job in order:
        quick.put([job], quick.everywhere, {})
        plain.put([job], plain.everywhere, {})
        assert quick._value() == pytest.approx(plain._value())


def test_dates_releases_and_large_tables_are_left_to_the_arrays() -> None:
    problem = recipe(6, 2, 9, seed=1)
    assert type(chain_of(problem, ((),) * 2, "")) is QuickChain
    dated = replace(problem, weights=PlanWeights(quality=0.0, flow=0.0), due=np.full(6, 50.0))
    assert type(chain_of(dated, ((),) * 2, "")) is Chain
    large = replace(problem, setup=np.zeros((2, 800, 800)), first=np.zeros((2, 800)))
    assert type(chain_of(large, ((),) * 2, "")) is Chain
    released = replace(problem, release=np.ones(6))
    assert type(chain_of(released, ((),) * 2, "")) is Chain
