"""How a mix is shared out over one line-up: a linear program (HiGHS, through scipy) and its dual.

The rent of a machine is what an hour of it is worth beyond what it costs: 0 where there is room left. Given rents, each
entry goes where its cost and rent are least, which is the dual function: for any rents between 0 and the cost of
overload it is a lower bound on the cost of the line-up, and at the best rents it is the cost.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from workers.learning.arrays import floats
from workers.planning.lineup.problem import Floats, Ints, LineUp, LineUpProblem, once_of

SPARE = 12  # columns a machine that the program begins with, besides one an entry; others come in where they pay (ours)
SAMPLE = 250  # entries that a first guess of the rents rests on (ours)
CLOSE = 1e-9  # relative


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shared:
    """The least cost of a line-up, and how it is reached.

    cost: all of it, what the line-up costs once included. rent: (M,). own: (J,) cost and rent of each entry, so that
    cost = own.sum() - rent @ room + what the line-up costs once. entry, mounting, share: (S,) which part of which
    entry prints where; what is left of an entry is bought outside. load: (M,) hours.
    """

    lineup: LineUp
    cost: float
    rent: Floats
    own: Floats
    entry: Ints
    mounting: Ints
    share: Floats
    load: Floats


def shared(problem: LineUpProblem, lineup: LineUp, rent: Floats | None = None) -> Shared:
    """Share the mix out at least cost. rent: a guess, which only saves time."""
    at = np.array(lineup, dtype=np.int64)
    cost, hours = problem.cost[:, at], problem.hours[:, at]
    free = np.zeros(problem.machines)
    plain = _by_rent(problem, at, cost, hours, free)
    if plain is None:
        plain = _solved(problem, at, cost, hours, _guess(problem, at, cost, hours) if rent is None else rent)
    entry, column, share, rent, own = plain
    load = np.bincount(problem.machine[at[column]], hours[entry, column] * share, minlength=problem.machines)
    value = float(own.sum() - rent @ problem.room) + once_of(problem, lineup)
    return Shared(
        lineup=lineup,
        cost=value,
        rent=rent,
        own=own,
        entry=entry,
        mounting=at[column],
        share=share,
        load=floats(load),
    )


def dual(problem: LineUpProblem, at: Ints, rent: Floats) -> tuple[float, Floats]:
    """The dual function at these rents, without what the line-up costs once; and its slope (M,)."""
    priced = problem.cost[:, at] + rent[problem.machine[at]] * problem.hours[:, at]
    return _dual(problem, at, priced, problem.hours[:, at], problem.outside, np.ones(problem.entries), rent)


def weighted_dual(
    problem: LineUpProblem, at: Ints, cost: Floats, hours: Floats, weight: Floats, rent: Floats
) -> tuple[float, Floats]:
    """The same for entries (J,) that count ``weight`` times and have other costs and hours (J, len(at))."""
    priced = cost + rent[problem.machine[at]] * hours
    return _dual(problem, at, priced, hours, problem.outside, weight, rent)


def _dual(
    problem: LineUpProblem, at: Ints, priced: Floats, hours: Floats, outside: Floats, weight: Floats, rent: Floats
) -> tuple[float, Floats]:
    if not at.size:
        return float(outside @ weight), -problem.room
    column = priced.argmin(axis=1)
    rows = np.arange(len(column))
    least = priced[rows, column]
    inside = least < outside
    value = float(np.minimum(least, outside) @ weight - rent @ problem.room)
    spent = np.where(inside, hours[rows, column] * weight, 0.0)
    return value, np.bincount(problem.machine[at[column]], spent, minlength=problem.machines) - problem.room


_Parts = tuple[Ints, Ints, Floats, Floats, Floats]


def _by_rent(problem: LineUpProblem, at: Ints, cost: Floats, hours: Floats, rent: Floats) -> _Parts | None:
    """Everyone where it is cheapest, if there is room for that."""
    nothing = np.zeros(0, dtype=np.int64)
    if not at.size:
        return nothing, nothing, np.zeros(0), rent, problem.outside.copy()
    column = cost.argmin(axis=1)
    rows = np.arange(problem.entries)
    least = cost[rows, column]
    entry = np.flatnonzero(least < problem.outside)
    column = column[entry]
    load = np.bincount(problem.machine[at[column]], hours[entry, column], minlength=problem.machines)
    if (load > problem.room).any():
        return None
    return entry, column, np.ones(len(entry)), rent, np.minimum(least, problem.outside)


def _guess(problem: LineUpProblem, at: Ints, cost: Floats, hours: Floats) -> Floats:
    """What the hours would be worth (M,) if some of the entries, blown up, were all."""
    free, step = np.zeros(problem.machines), problem.entries // SAMPLE
    if step < 2:
        return free
    rows = slice(step // 2, None, step)
    size = problem.entries / len(problem.outside[rows])
    few = replace(problem, cost=problem.cost[rows], hours=problem.hours[rows], outside=problem.outside[rows] * size)
    return _solved(few, at, cost[rows] * size, hours[rows] * size, free)[3]


def _solved(problem: LineUpProblem, at: Ints, cost: Floats, hours: Floats, rent: Floats) -> _Parts:
    """The linear program, by column generation: mountings are left out until the duals say that they would be used."""
    useful, rows = cost < problem.outside[:, None], np.arange(problem.entries)  # outside takes no room
    taken = _near(np.where(useful, cost + rent[problem.machine[at]] * hours, np.inf), problem) & useful
    while True:
        entry, column = np.nonzero(taken)
        share, rent, own = _program(problem, at, cost, hours, entry, column)
        priced = np.where(useful, cost + rent[problem.machine[at]] * hours - own[:, None], np.inf)
        best = priced.argmin(axis=1)
        missing = np.flatnonzero(priced[rows, best] < -CLOSE * np.maximum(own, 1.0))
        if not missing.size:
            used = share > CLOSE
            return entry[used], column[used], share[used], rent, own
        taken[missing, best[missing]] = True


def ascended(problem: LineUpProblem, rent: Floats, slope: Floats, gap: float) -> Floats | None:
    """Rents one step of Polyak's length further up; None where there is no way up."""
    blocked = ((rent <= 0.0) & (slope < 0.0)) | ((rent >= problem.overload) & (slope > 0.0))
    way = np.where(blocked, 0.0, slope)
    length = float(way @ way)
    if length == 0.0:
        return None
    return np.clip(rent + way * (gap / length), 0.0, problem.overload)


def _near(priced: Floats, problem: LineUpProblem) -> np.ndarray:
    """(J, columns): the cheapest of each row, and those that come nearest to it, some for each machine."""
    least = np.minimum(priced.min(axis=1), problem.outside)
    excess: Floats = priced - least[:, None]
    more = problem.entries + SPARE * problem.machines
    if excess.size <= more:
        return np.asarray(np.isfinite(excess))
    return np.asarray(excess <= np.partition(excess, more, axis=None)[more])


def _program(
    problem: LineUpProblem, at: Ints, cost: Floats, hours: Floats, entry: Ints, column: Ints
) -> tuple[Floats, Floats, Floats]:
    """Shares, rents and own costs. Variables: shares, then bought outside (J), then overload (M)."""
    from scipy.optimize import linprog
    from scipy.sparse import coo_array

    shares, machines, entries = len(entry), problem.machines, problem.entries
    count = shares + entries + machines
    own = np.arange(entries)
    every = coo_array(
        (np.ones(shares + entries), (np.concatenate([entry, own]), np.arange(shares + entries))), shape=(entries, count)
    )
    rows = np.concatenate([problem.machine[at[column]], np.arange(machines)])
    columns = np.concatenate([np.arange(shares), np.arange(shares + entries, count)])
    values = np.concatenate([hours[entry, column], -np.ones(machines)])
    room = coo_array((values, (rows, columns)), shape=(machines, count))
    result = linprog(
        np.concatenate([cost[entry, column], problem.outside, problem.overload]),
        A_ub=room.tocsr(),
        b_ub=problem.room,
        A_eq=every.tocsr(),
        b_eq=np.ones(entries),
        method="highs",
    )
    if result.status != 0:
        raise ArithmeticError(f"sharing the mix out failed: {result.message}")
    rent = np.clip(-np.asarray(result.ineqlin.marginals), 0.0, problem.overload)
    return np.asarray(result.x[:shares]), rent, _own_costs(problem, at, cost, hours, entry, column, rent)


def _own_costs(
    problem: LineUpProblem, at: Ints, cost: Floats, hours: Floats, entry: Ints, column: Ints, rent: Floats
) -> Floats:
    """Cost and rent (J,) of each entry among these columns."""
    own = problem.outside.copy()
    np.minimum.at(own, entry, cost[entry, column] + rent[problem.machine[at[column]]] * hours[entry, column])
    return own
