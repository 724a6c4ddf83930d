"""The best line-up against going through all of them, and what a bound must be."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.planning.lineup import brute_force
from tests.planning.lineup.problems import random_problem
from workers.model.errors import InvalidError
from workers.planning.lineup.alike import merged, teams
from workers.planning.lineup.bound import choose, relaxations
from workers.planning.lineup.moves import moved, moves
from workers.planning.lineup.problem import LineUpProblem, is_possible
from workers.planning.lineup.search import Limit, descend, greedy, wander
from workers.planning.lineup.share import shared
from workers.planning.lineup.solve import solve

SMALL = st.builds(
    random_problem,
    st.integers(0, 10_000),
    entries=st.integers(1, 6),
    machines=st.integers(1, 3),
    kinds=st.integers(1, 3),
    slots=st.integers(1, 3),
    tight=st.sampled_from([0.3, 1.0, 3.0]),
)
TINY = st.builds(
    random_problem,
    st.integers(0, 10_000),
    entries=st.integers(1, 4),
    machines=st.integers(1, 2),
    kinds=st.integers(1, 3),
    slots=st.integers(1, 2),
    tight=st.sampled_from([0.3, 1.0, 3.0]),
)
ONE_MACHINE = st.builds(
    random_problem,
    st.integers(0, 10_000),
    entries=st.integers(1, 4),
    machines=st.just(1),
    kinds=st.integers(1, 3),
    slots=st.integers(1, 2),
    tight=st.sampled_from([0.3, 1.0, 3.0]),
)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(TINY)
def test_the_optimum_is_that_of_going_through_all_line_ups(problem: LineUpProblem) -> None:
    found = solve(problem, seconds=20.0, seed=1)
    assert found.best.cost == pytest.approx(brute_force.cheapest(problem), rel=1e-6, abs=1e-6)
    assert found.proved
    assert is_possible(problem, found.best.lineup)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(SMALL, st.randoms(use_true_random=False))
def test_sharing_out_is_the_whole_linear_program(problem: LineUpProblem, source) -> None:
    chosen = tuple(k for k in range(problem.mountings) if source.random() < 0.4)
    found = shared(problem, chosen)
    assert found.cost == pytest.approx(brute_force.cost(problem, chosen), rel=1e-7, abs=1e-7)
    # and it can be read off the shares
    rest = 1.0 - np.bincount(found.entry, found.share, minlength=problem.entries)
    spent = problem.cost[found.entry, found.mounting] @ found.share + np.clip(rest, 0, 1) @ problem.outside
    over = np.maximum(found.load - problem.room, 0.0) @ problem.overload
    assert spent + over + problem.once[list(chosen)].sum() == pytest.approx(found.cost, rel=1e-6, abs=1e-6)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(TINY)
def test_the_relaxation_is_a_lower_bound(problem: LineUpProblem) -> None:
    bounds = [relaxed.value for relaxed in relaxations(problem, np.zeros(problem.machines), seconds=5.0)]
    assert bounds == sorted(bounds)
    assert bounds[-1] <= brute_force.cheapest(problem) + 1e-6


@settings(max_examples=10, deadline=None, derandomize=True)
@given(TINY, st.integers(2, 3))
def test_an_entry_in_parts_is_one_entry(problem: LineUpProblem, times: int) -> None:
    rows, size = np.repeat(np.arange(problem.entries), times), 1.0 / times
    cut = _with(
        problem, cost=problem.cost[rows] * size, hours=problem.hours[rows] * size, outside=problem.outside[rows] * size
    )
    assert merged(cut).entries == merged(problem).entries <= problem.entries
    found = solve(cut, seconds=20.0, seed=1)
    assert found.best.cost == pytest.approx(brute_force.cheapest(problem), rel=1e-6, abs=1e-6)
    assert len(found.best.own) == cut.entries  # told for the entries that were given


@settings(max_examples=10, deadline=None, derandomize=True)
@given(ONE_MACHINE)
def test_twin_machines_count_as_a_team(problem: LineUpProblem) -> None:
    twins = _twinned(problem)
    assert teams(twins).count.tolist() == [2]
    truth = brute_force.cheapest(twins)
    *_, last = relaxations(twins, np.zeros(2), seconds=5.0)
    assert last.value <= truth + 1e-6
    # and a team of two is no better than its two machines
    assert solve(twins, seconds=20.0, seed=1).best.cost == pytest.approx(truth, rel=1e-6, abs=1e-6)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(SMALL, st.integers(0, 99))
def test_a_move_never_promises_more_than_it_keeps(problem: LineUpProblem, seed: int) -> None:
    start = wander(problem, shared(problem, ()), Limit(time.monotonic() + 5.0), seed=seed, rounds=1)
    for move in moves(problem, start.lineup, start.rent):
        lineup = moved(start.lineup, move)
        assert is_possible(problem, lineup)
        assert move[0] <= shared(problem, lineup).cost + 1e-6


def test_the_search_finds_what_the_program_proves() -> None:
    problem = random_problem(7, entries=60, machines=4, kinds=5, tight=0.8)
    exact = solve(problem, seconds=30.0, seed=1)
    assert exact.proved
    found = descend(problem, greedy(problem), Limit(time.monotonic() + 20.0))
    found = wander(problem, found, Limit(time.monotonic() + 20.0), seed=3, rounds=10)
    assert found.cost <= exact.best.cost * 1.01
    assert found.cost >= exact.best.cost * (1.0 - 1e-6)


def test_a_large_problem_comes_back_with_a_gap_that_holds() -> None:
    problem = random_problem(3, entries=300, machines=8, kinds=5, slots=2, tight=0.9)
    start = greedy(problem)
    found = solve(problem, (start.lineup,), seconds=4.0, seed=1)
    assert found.method == "search"
    assert found.bound <= found.best.cost <= start.cost
    assert found.gap == pytest.approx(1.0 - found.bound / found.best.cost)
    assert found.gap < 0.05


@pytest.mark.parametrize(("seed", "tight"), [(1, 0.5), (2, 1.0), (3, 1.5), (4, 3.0)])
def test_the_relaxation_comes_close_to_what_the_program_proves(seed: int, tight: float) -> None:
    problem = random_problem(seed, entries=50, machines=4, kinds=4, slots=2, tight=tight)
    exact = solve(problem, seconds=60.0, seed=1)
    assert exact.proved
    *_, last = relaxations(problem, np.zeros(problem.machines), seconds=float("inf"))
    assert 0.985 * exact.best.cost < last.value <= exact.best.cost * (1.0 + 1e-6)
    rounded = tuple(np.flatnonzero(choose(problem, -last.wish)).tolist())
    assert shared(problem, rounded).cost < 1.15 * exact.best.cost


def test_the_first_bound_rests_on_some_entries_and_holds_for_all() -> None:
    """Of entries that come in pairs, every second one is all there is to know."""
    one = random_problem(5, entries=300, machines=4, kinds=3, slots=2, tight=1.0)
    both = _with(one, cost=2.0 * one.cost, hours=2.0 * one.hours, outside=2.0 * one.outside)
    rows = np.repeat(np.arange(300), 2)
    pairs = _with(one, cost=one.cost[rows], hours=one.hours[rows], outside=one.outside[rows])
    known = next(seen.value for seen in relaxations(both, np.zeros(4), seconds=60.0) if seen.near)
    assert next(relaxations(pairs, np.zeros(4), seconds=60.0)).value >= known * (1.0 - 1e-6)
    uneven = random_problem(5, entries=600, machines=4, kinds=3, slots=2, tight=1.0)
    first = next(relaxations(uneven, np.zeros(4), seconds=60.0)).value
    assert 0.0 < first <= descend(uneven, greedy(uneven), Limit(time.monotonic() + 5.0)).cost


def test_a_stop_gives_back_what_there_is() -> None:
    problem = random_problem(3, entries=300, machines=8, kinds=5, tight=0.9)
    found = solve(problem, seconds=600.0, seed=1, stop=lambda: True)
    assert found.best.cost <= shared(problem, ()).cost


def test_more_pieces_never_cost_more() -> None:
    problem = random_problem(11, entries=8, machines=3, kinds=3, tight=1.5)
    fewer = solve(problem, seconds=10.0, seed=1).best.cost
    more = solve(_with(problem, pieces=problem.pieces + 1), seconds=10.0, seed=1).best.cost
    assert more <= fewer + 1e-6


@pytest.mark.parametrize("changes", [{"hours": np.zeros((2, 2))}, {"room": np.array([-1.0, 1.0, 1.0])}])
def test_a_problem_that_makes_no_sense_is_refused(changes: dict[str, np.ndarray]) -> None:
    with pytest.raises(InvalidError):
        _with(random_problem(1, entries=3, machines=3, kinds=2), **changes)


def _with(problem: LineUpProblem, **changes: np.ndarray) -> LineUpProblem:
    names = LineUpProblem.__dataclass_fields__
    return LineUpProblem(**({name: getattr(problem, name) for name in names} | changes))


def _twinned(problem: LineUpProblem) -> LineUpProblem:
    """Every machine twice."""
    names = ("kind", "once", "room", "overload", "slots")
    return _with(
        problem,
        **{name: np.concatenate([getattr(problem, name)] * 2) for name in names},
        cost=np.concatenate([problem.cost] * 2, axis=1),
        hours=np.concatenate([problem.hours] * 2, axis=1),
        machine=np.concatenate([problem.machine, problem.machine + problem.machines]),
    )
