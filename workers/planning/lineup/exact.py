"""The cheapest line-up of a small shop, proved: one mixed-integer program (HiGHS, through scipy)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from workers.planning.lineup.problem import LineUp, LineUpProblem, is_possible
from workers.planning.rows import Rows

CELLS_MAX = 6_000  # entries times mountings: up to here HiGHS takes seconds (measured: see bench_lineup.py)
ROUND_OFF = 1e-6  # HiGHS's own tolerance, relative


@dataclass(frozen=True, slots=True, kw_only=True)
class Proved:
    """The best line-up that was found, and what none costs less than. They meet unless the time ran out."""

    lineup: LineUp | None
    bound: float


def is_small(problem: LineUpProblem) -> bool:
    return problem.entries * problem.mountings <= CELLS_MAX


def prove(problem: LineUpProblem, *, seconds: float) -> Proved:
    """Solve the whole program: which mountings there are (whole), and how the mix is shared out (in parts)."""
    rows = Rows()
    entry, mounting = np.nonzero(problem.cost < problem.outside[:, None])
    there = rows.variables(problem.once)
    share = rows.variables(problem.cost[entry, mounting])
    outside = rows.variables(problem.outside)
    over = rows.variables(problem.overload)
    entries, machines = np.arange(problem.entries), np.arange(problem.machines)
    rows.equal([(entry, share, 1.0), (entries, outside, 1.0)], np.ones(problem.entries))
    own = np.arange(len(entry))
    if own.size:
        rows.at_most([(own, share, 1.0), (own, there[mounting], -1.0)], np.zeros(own.size))
    load = (problem.machine[mounting], share, problem.hours[entry, mounting])
    rows.at_most([load, (machines, over, -1.0)], problem.room)
    # Room is there only with the mounting: implied, but without it the linear program's bound is far too low.
    every = np.arange(problem.mountings)
    tied = (mounting, share, problem.hours[entry, mounting])
    rows.at_most(
        [tied, (every, there, -problem.room[problem.machine]), (every, over[problem.machine], -1.0)],
        np.zeros(problem.mountings),
    )
    rows.at_most([(problem.machine, there, 1.0)], problem.slots.astype(np.float64))
    rows.at_most([(problem.kind, there, 1.0)], problem.pieces.astype(np.float64))
    upper = np.full(rows.costs.size, np.inf)
    upper[there] = 1.0
    result = rows.whole_minimum(there, upper, seconds)
    bound = 0.0 if result.mip_dual_bound is None else float(result.mip_dual_bound)
    if result.x is None:
        return Proved(lineup=None, bound=max(bound, 0.0))
    lineup = tuple(np.flatnonzero(result.x[there] > 0.5).tolist())
    if not is_possible(problem, lineup):
        raise ArithmeticError("the program's line-up breaks its own rows")
    return Proved(lineup=lineup, bound=bound - ROUND_OFF * max(1.0, abs(bound)))
