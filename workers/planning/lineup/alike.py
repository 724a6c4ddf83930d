"""What is alike in a line-up problem is put together: entries that cost the same apart from their size, and machines.

A program over what is put together has the same optimum where its shares may be split, and is a fraction as large: of
thirty machines few differ, and most jobs of a month are one of some dozens.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from workers.learning.arrays import floats
from workers.planning.lineup.problem import Floats, Ints, LineUpProblem

DIGITS = 11  # two rows are equal when these digits of their ratios to the cost of buying outside are


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Team:
    """Machines alike, put together. C columns: a kind of nozzle on a team; Y choices: a column at one price.

    cost, hours (J, C), cost inf where it does not pay; team, kind (C,). of (Y,): column of a choice; once, most (Y,):
    what one costs, and how many there may be. mounting_choice (K,): the choice that a mounting belongs to; of_machine
    (M,): its team. count (G,): machines of a team; room, overload (G,) of one; slots (G,) of all.
    """

    cost: Floats
    hours: Floats
    team: Ints
    kind: Ints
    of: Ints
    once: Floats
    most: Floats
    mounting_choice: Ints
    of_machine: Ints
    count: Ints
    room: Floats
    overload: Floats
    slots: Floats

    @property
    def columns(self) -> int:
        return len(self.team)

    def of_machines(self, values: Floats) -> Floats:
        """(C,) of values (M,) of the machines: the largest in each team."""
        largest = np.zeros(len(self.count))
        np.maximum.at(largest, self.of_machine, values)
        return floats(largest[self.team])


def merged(problem: LineUpProblem) -> LineUpProblem:
    """Entries that are multiples of each other as one, as large as all of them."""
    scale = np.where(problem.outside > 0.0, problem.outside, 1.0)[:, None]
    rows = np.concatenate([problem.cost / scale, problem.hours / scale, problem.outside[:, None] / scale], axis=1)
    _, place = np.unique(_digits(rows), axis=0, return_inverse=True)
    groups = int(place.max(initial=-1)) + 1
    if groups == problem.entries:
        return problem
    return replace(
        problem,
        cost=_summed(problem.cost, place, groups),
        hours=_summed(problem.hours, place, groups),
        outside=_summed(problem.outside[:, None], place, groups)[:, 0],
    )


def teams(problem: LineUpProblem) -> Team:
    """Machines with the same columns, slots, room and price of lateness, as one."""
    of_machine = _team_of_machines(problem)
    count = np.bincount(of_machine)
    first = np.unique(of_machine, return_index=True)[1]
    pair = of_machine[problem.machine] * problem.kinds + problem.kind
    named, sample, column = np.unique(pair, return_index=True, return_inverse=True)
    choices = np.stack([column.astype(np.float64), problem.once])
    told, choice, most = np.unique(choices, axis=1, return_inverse=True, return_counts=True)
    cost = problem.cost[:, sample]
    return Team(
        cost=np.where(cost < problem.outside[:, None], cost, np.inf),
        hours=problem.hours[:, sample],
        team=named // problem.kinds,
        kind=named % problem.kinds,
        of=told[0].astype(np.int64),
        once=told[1],
        most=most.astype(np.float64),
        mounting_choice=choice.ravel(),
        of_machine=of_machine,
        count=count,
        room=problem.room[first],
        overload=problem.overload[first],
        slots=floats(problem.slots[first] * count),
    )


def _team_of_machines(problem: LineUpProblem) -> Ints:
    known: dict[object, int] = {}
    found = []
    for m in range(problem.machines):
        at = np.flatnonzero(problem.machine == m)
        at = at[np.argsort(problem.kind[at])]
        columns = (problem.cost[:, at].tobytes(), problem.hours[:, at].tobytes(), problem.kind[at].tobytes())
        limits = (int(problem.slots[m]), float(problem.room[m]), float(problem.overload[m]))
        found.append(known.setdefault((columns, limits), len(known)))
    return np.array(found)


def _summed(values: Floats, place: Ints, groups: int) -> Floats:
    whole = np.zeros((groups, values.shape[1]))
    np.add.at(whole, place.ravel(), values)
    return whole


def _digits(rows: Floats) -> Floats:
    """Rounded to so many digits each; inf and 0 stay."""
    with np.errstate(divide="ignore", invalid="ignore"):
        size = 10.0 ** (DIGITS - 1 - np.floor(np.log10(np.abs(rows))))
        rounded = np.round(rows * size) / size
    return np.where(np.isfinite(rounded), rounded, rows)
