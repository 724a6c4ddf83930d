"""Where the order on a machine does not matter, a plan is an assignment: integer programming (HiGHS, through scipy).

The cost asked for is halved in on, between the bound and the best plan known. Pairings through which nothing so cheap
can go, by their reduced cost in the linear program, are left out, which shrinks the programs to a fraction. Measured on
the published instances: see tests/benchmarks/bench_plans.py.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from workers.planning.bound import Bound, BoundKind, assignment_rows, rounded, whole
from workers.planning.problem import Ints, Problem
from workers.planning.rules import frozen
from workers.planning.schedule import Sequences, cost_of

PART = 0.4  # of the time left that one program may take
INFEASIBLE = 2  # scipy's status
CLOSE = 1e-4  # gap, relative, at which the search ends


@dataclass(frozen=True, slots=True, kw_only=True)
class Assigned:
    """The best assignment found, and what is proved about it."""

    sequences: Sequences
    bound: Bound


def assign(
    problem: Problem,
    start: Sequences,
    bound: Bound,
    *,
    seconds: float,
    cancelled: Callable[[], bool] | None = None,
) -> Assigned:
    """Improve an assignment by integer programs. A cancel is seen between two of them."""
    until = time.monotonic() + seconds
    best, value, floor = start, cost_of(problem, start), bound.value
    while value - floor > _least_step(problem, value):
        left = until - time.monotonic()
        if left <= 0 or (cancelled is not None and cancelled()):
            break
        reach = _halfway(problem, floor, value)
        found, proved = _solve(problem, bound, reach, PART * left)
        if proved > bound.value:
            bound = Bound(value=min(proved, value), kind=BoundKind.SEARCHED, through=bound.through)
        if found is not None:
            best, value = found, cost_of(problem, found)
        floor = max(bound.value, floor if found is not None else reach)
    return Assigned(sequences=best, bound=bound)


def _least_step(problem: Problem, value: float) -> float:
    return 0.5 if whole(problem) else CLOSE * value


def _halfway(problem: Problem, floor: float, value: float) -> float:
    """The cost to ask for next: between what is proved (or was tried in vain) and what is known."""
    middle = (floor + value) / 2.0
    return float(np.floor(middle)) if whole(problem) else middle


def _solve(problem: Problem, bound: Bound, reach: float, seconds: float) -> tuple[Sequences | None, float]:
    """A plan that costs no more than reach, if there is time to find it, and what no plan costs less than."""
    kept = np.arange(problem.pairings) if bound.through is None else np.flatnonzero(bound.through <= reach)
    beyond = reach + 1.0 if whole(problem) else reach
    if np.unique(problem.job[kept]).size < problem.jobs:
        return None, beyond
    program = assignment_rows(restricted(problem, kept))
    costs = program.costs
    program.at_most([(np.zeros(costs.size, dtype=np.int64), np.arange(costs.size), costs)], np.array([reach]))
    upper = np.full(costs.size, np.inf)
    upper[: kept.size] = 1.0
    result = program.whole_minimum(np.arange(kept.size), upper, seconds)
    if result.status == INFEASIBLE:
        return None, beyond
    found = None if result.x is None else _orders(problem, kept[result.x[: kept.size] > 0.5])
    proved = result.mip_dual_bound if result.mip_dual_bound is not None else 0.0
    return found, min(beyond, rounded(problem, float(proved)))


def restricted(problem: Problem, kept: Ints) -> Problem:
    """The problem with these pairings only."""
    names = ("job", "machine", "family", "hours", "failure")
    return replace(problem, **{name: getattr(problem, name)[kept] for name in names})


def _orders(problem: Problem, chosen: Ints) -> Sequences:
    return frozen([chosen[problem.machine[chosen] == machine].tolist() for machine in range(problem.machines)])
