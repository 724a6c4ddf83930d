"""The proof by going through everything, and the bounds, against plain enumeration."""

from __future__ import annotations

import pytest
from hypothesis import given, settings

from tests.planning.problems import enumerated, problems, recipe
from workers.planning.bound import arc_bound, assignment_bound
from workers.planning.exact import cheapest
from workers.planning.problem import MAKESPAN_ONLY, Problem, from_matrix
from workers.planning.schedule import cost_of


@given(problems())
@settings(max_examples=40, deadline=None)
def test_nothing_is_cheaper_than_the_cheapest(problem: Problem) -> None:
    found = cheapest(problem)
    assert found is not None
    assert cost_of(problem, found) == pytest.approx(enumerated(problem))


@given(problems(jobs=6, machines=3))
@settings(max_examples=60, deadline=None)
def test_no_bound_is_above_the_cheapest(problem: Problem) -> None:
    found = cheapest(problem)
    assert found is not None
    least = cost_of(problem, found)
    for bound in (assignment_bound(problem, seconds=30), arc_bound(problem, seconds=30)):
        assert bound.value <= least + 1e-9
        assert bound.through is not None
        used = [pairing for order in found for pairing in order]
        assert bound.through[used].max() <= least + 1e-9


def test_the_arc_bound_is_above_the_assignment_bound_where_setups_are_long() -> None:
    problem = recipe(12, 3, 124, seed=2)
    assert arc_bound(problem, seconds=30).value > assignment_bound(problem, seconds=30).value


def test_setups_are_from_the_row_to_the_column() -> None:
    """Light to dark is quick, dark to light needs a long purge: both light jobs come first."""
    light, dark = 0, 1
    problem = from_matrix(
        [[1.0], [1.0], [1.0]],
        setup=[[[0.0, 0.1], [9.0, 0.0]]],
        first=[[0.5, 0.5]],
        family=[dark, light, light],
        weights=MAKESPAN_ONLY,
    )
    found = cheapest(problem)
    assert found is not None
    assert [int(problem.family[pairing]) for pairing in found[0]] == [light, light, dark]
    assert cost_of(problem, found) == pytest.approx(3.6)


def test_it_stops_when_told_to() -> None:
    problem = recipe(9, 3, 49, seed=1)
    assert cheapest(problem, cancelled=lambda: True) is None
    assert cheapest(problem, seconds=0.0) is None
