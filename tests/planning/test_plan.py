"""The plan: method by size, proofs, cancel, comparison with today."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings

from tests.planning.problems import enumerated, problems, recipe
from workers.model.errors import InvalidError
from workers.planning.plan import Method, compare, plan
from workers.planning.problem import PlanWeights, Problem, from_matrix
from workers.planning.rules import first_free
from workers.planning.schedule import cost_of


@given(problems())
@settings(max_examples=25, deadline=None)
def test_small_plans_are_proved(problem: Problem) -> None:
    made = plan(problem, seconds=20, seed=1)
    assert made.method is Method.ENUMERATION
    assert made.measures.cost == pytest.approx(enumerated(problem))
    assert made.gap == 0
    assert made.bound == made.measures.cost


def test_without_setups_and_dates_an_integer_program_proves_it() -> None:
    random = np.random.default_rng(5)
    made = plan(from_matrix(random.integers(1, 30, (40, 5))), seconds=20, seed=1)
    assert made.gap == 0
    assert made.bound_kind in ("assignment", "searched")


def test_with_setups_the_search_beats_the_rules_and_has_a_bound_beside_it() -> None:
    made = plan(recipe(30, 4, 124, seed=6), seconds=30, seed=1, rounds=400)
    assert made.method is Method.SEARCH
    assert 0 < made.bound < made.measures.cost < min(made.rules.values())
    assert made.gap == pytest.approx(1 - made.bound / made.measures.cost)


def test_limited_by_rounds_it_is_the_same_every_time() -> None:
    problem = recipe(30, 4, 49, seed=7)
    first, second = (plan(problem, seconds=30, seed=3, rounds=100) for _ in range(2))
    assert first.runs == second.runs


def test_every_job_runs_once_and_no_two_at_a_time() -> None:
    problem = recipe(30, 4, 49, seed=8)
    made = plan(problem, seconds=30, seed=1, rounds=50)
    assert sorted(run.job for run in made.runs) == list(range(30))
    for machine in range(4):
        runs = [run for run in made.runs if run.machine == machine]
        for before, after in pairwise(runs):
            assert after.start >= before.end + after.setup_h


def test_a_cancel_returns_the_best_so_far() -> None:
    asked = iter([False] * 8 + [True] * 1000)  # three times before a rule, then in the search
    seen: list[float] = []
    made = plan(
        recipe(40, 5, 99, seed=9),
        seconds=60,
        seed=1,
        progress=lambda share, cost, bound: seen.append(share),
        cancelled=lambda: next(asked),
    )
    assert made.cancelled
    assert made.measures.cost <= min(made.rules.values())
    assert len(seen) == 6
    assert seen == sorted(seen)


def test_without_any_time_the_quickest_rule_and_today_are_left() -> None:
    problem = recipe(40, 5, 99, seed=9)
    made = plan(problem, seconds=1e-9, seed=1, current=first_free(problem))
    assert set(made.rules) == {"first-free", "current"}
    assert sorted(run.job for run in made.runs) == list(range(40))


def test_a_cancel_during_integer_programs_too() -> None:
    random = np.random.default_rng(1)
    made = plan(from_matrix(random.integers(1, 100, (60, 10))), seconds=2, seed=1, cancelled=lambda: True)
    assert made.cancelled


def test_it_is_never_dearer_than_today() -> None:
    problem = recipe(30, 4, 49, seed=10)
    good = plan(problem, seconds=30, seed=1, rounds=300)
    made = plan(problem, seconds=30, seed=2, rounds=1, current=good.sequences)
    assert made.measures.cost <= good.measures.cost


def test_the_comparison_counts_what_changes() -> None:
    """Two machines; today both parts wait for the slow one, of another material: one moves, nothing is late."""
    problem = from_matrix(
        [[4.0, 10.0], [4.0, 5.0]],
        setup=np.full((2, 2, 2), 1.0),
        first=[[0.0, 1.0], [1.0, 0.0]],
        family=[0, 1],
        failure=[[0.1, 3.0], [0.1, 0.2]],
        due=[6.0, 6.0],
        weights=PlanWeights(),
    )
    today = ((), (1, 3))  # pairings on the second machine
    made = plan(problem, seconds=5, seed=1)
    result = compare(problem, today, made)
    assert (result.now.late_jobs, result.planned.late_jobs) == (2, 0)
    assert (result.now.setups, result.planned.setups) == (2, 0)
    assert (result.now.hours, result.planned.hours) == (17.0, 9.0)
    assert result.planned.failure == pytest.approx(0.3)
    assert result.moved == 1


def test_pairings_of_one_machine_are_told_apart() -> None:
    """One machine with two nozzles: the wide bore is quicker, but only the narrow one is mounted."""
    narrow, wide = 0, 1
    problem = Problem(
        jobs=1,
        machines=1,
        job=np.array([0, 0]),
        machine=np.array([0, 0]),
        family=np.array([narrow, wide]),
        hours=np.array([3.0, 2.0]),
        failure=np.zeros(2),
        setup=np.zeros((1, 2, 2)),
        first=np.array([[0.0, 2.0]]),
        release=np.zeros(1),
        due=np.full(1, np.inf),
        weight=np.ones(1),
        free=np.zeros(1),
        weights=PlanWeights(),
    )
    assert plan(problem, seconds=5, seed=1).runs[0].pairing == narrow


@pytest.mark.parametrize(
    "bad",
    [
        {"hours": [[np.inf]]},
        {"hours": [[-1.0]]},
        {"hours": [[1.0]], "due": np.nan},
        {"hours": [[1.0]], "free": np.inf},
        {"hours": [[1.0]], "setup": [[[-1.0]]]},
        {"hours": [[1.0]], "weights": None},
    ],
)
def test_what_cannot_be_planned_is_refused(bad: dict[str, object]) -> None:
    if "weights" in bad:
        with pytest.raises(InvalidError):
            PlanWeights(tardiness=0.0, makespan=0.0, flow=0.0, setup=0.0, failure=0.0, quality=0.0)
        return
    with pytest.raises(InvalidError):
        from_matrix(**bad)  # type: ignore[arg-type]


def test_today_with_a_job_missing_is_refused() -> None:
    problem = from_matrix([[1.0, 2.0], [2.0, 1.0]])
    made = plan(problem, seconds=5, seed=1)
    with pytest.raises(InvalidError):
        compare(problem, ((0,), ()), made)
    assert cost_of(problem, first_free(problem)) >= made.measures.cost
