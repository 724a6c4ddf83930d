"""Line-ups next to a line-up, each with a bound on its cost: a nozzle taken off, put on, replaced, or two exchanged.

At the rents of the line-up itself the dual function bounds every neighbour from below, so neighbours that cannot be
cheaper are told without solving anything.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from workers.learning.arrays import floats
from workers.planning.lineup.problem import Floats, Ints, LineUp, LineUpProblem

Move = tuple[float, tuple[int, ...], tuple[int, ...]]  # bound, mountings that go, mountings that come


def moves(problem: LineUpProblem, lineup: LineUp, rent: Floats) -> list[Move]:
    """All neighbours, the most promising first."""
    return sorted(_Neighbours(problem, lineup, rent).all(), key=lambda move: move[0])


def additions(problem: LineUpProblem, lineup: LineUp, rent: Floats) -> list[Move]:
    """Those that only put a nozzle on."""
    return sorted(_Neighbours(problem, lineup, rent).put_on(), key=lambda move: move[0])


def moved(lineup: LineUp, move: Move) -> LineUp:
    return tuple(sorted((set(lineup) - set(move[1])) | set(move[2])))


class _Neighbours:
    """Which mountings there is room and a piece for, and what each entry costs at most at these rents."""

    def __init__(self, problem: LineUpProblem, lineup: LineUp, rent: Floats) -> None:
        self.problem, self.lineup = problem, lineup
        self.priced = problem.cost + rent[problem.machine] * problem.hours
        self.offset = float(problem.once[list(lineup)].sum() - rent @ problem.room)
        at = np.array(lineup, dtype=np.int64)
        self.open = np.zeros(problem.mountings, dtype=bool)
        self.open[at] = True
        self.slots = problem.slots - np.bincount(problem.machine[at], minlength=problem.machines)
        self.pieces = problem.pieces - np.bincount(problem.kind[at], minlength=problem.kinds)
        self.place = {(int(problem.machine[k]), int(problem.kind[k])): k for k in range(problem.mountings)}
        self._rank(at)

    def _rank(self, at: Ints) -> None:
        """The three cheapest mountings of each entry; outside and nothing fill up."""
        rows = self.problem.entries
        filler = np.stack([self.problem.outside, *[np.full(rows, np.inf)] * 2], axis=1)
        values = np.concatenate([self.priced[:, at], filler], axis=1)
        names = np.concatenate([at, [-1, -2, -3]])
        order = np.argsort(values, axis=1, kind="stable")[:, :3]
        self.best = np.take_along_axis(values, order, axis=1)
        self.name = names[order]
        self.least = np.minimum(self.best, self.problem.outside[:, None])

    def without(self, gone: tuple[int, ...]) -> Floats:
        """Cost and rent (J,) of each entry when these mountings go."""
        if len(gone) == 1:
            return floats(np.where(self.name[:, 0] == gone[0], self.least[:, 1], self.least[:, 0]))
        first = (self.name[:, 0] == gone[0]) | (self.name[:, 0] == gone[1])
        second = (self.name[:, 1] == gone[0]) | (self.name[:, 1] == gone[1])
        return floats(np.where(first, np.where(second, self.least[:, 2], self.least[:, 1]), self.least[:, 0]))

    def bound(self, rest: Floats, gone: tuple[int, ...], come: tuple[int, ...]) -> float:
        for k in come:
            rest = np.minimum(rest, self.priced[:, k])
        once = self.problem.once[list(come)].sum() - self.problem.once[list(gone)].sum()
        return float(rest.sum() + once) + self.offset

    def all(self) -> Iterator[Move]:
        yield from self.put_on()
        for gone in self.lineup:
            yield from self._with_one_gone(gone)
        yield from self._exchanged()

    def put_on(self) -> Iterator[Move]:
        problem = self.problem
        come = np.flatnonzero(~self.open & (self.slots[problem.machine] > 0) & (self.pieces[problem.kind] > 0))
        yield from self._each((), self.least[:, 0], come)

    def _each(self, gone: tuple[int, ...], rest: Floats, come: Ints) -> Iterator[Move]:
        sums = np.minimum(rest[:, None], self.priced[:, come]).sum(axis=0) + self.problem.once[come]
        value = sums + (self.offset - float(self.problem.once[list(gone)].sum()))
        for k, bound in zip(come.tolist(), value.tolist(), strict=True):
            yield bound, gone, (k,)

    def _with_one_gone(self, gone: int) -> Iterator[Move]:
        """It goes to the shelf or to another free slot, or one from the shelf takes its slot."""
        problem, machine, kind = self.problem, self.problem.machine[gone], self.problem.kind[gone]
        rest = self.without((gone,))
        yield self.bound(rest, (gone,), ()), (gone,), ()
        free = self.pieces[problem.kind] > 0
        elsewhere = (problem.kind == kind) & (self.slots[problem.machine] > 0) & (problem.machine != machine)
        come = np.flatnonzero(~self.open & (((problem.machine == machine) & free) | elsewhere))
        yield from self._each((gone,), rest, come[come != gone])

    def _exchanged(self) -> Iterator[Move]:
        """Two machines exchange nozzles; or one hands its nozzle on and takes one from the shelf."""
        for one in self.lineup:
            for two in self.lineup:
                if self.problem.machine[one] != self.problem.machine[two] and one != two:
                    yield from self._pair(one, two)

    def _pair(self, one: int, two: int) -> Iterator[Move]:
        """``two`` goes, the nozzle of ``one`` takes its slot, whose own is filled by ``two``'s or from the shelf."""
        problem = self.problem
        came = self.place.get((int(problem.machine[two]), int(problem.kind[one])))
        if came is None or self.open[came]:
            return
        rest = np.minimum(self.without((one, two)), self.priced[:, came])
        gone, offset = (one, two), float(problem.once[came])
        if one < two:
            other = self.place.get((int(problem.machine[one]), int(problem.kind[two])))
            if other is not None and not self.open[other] and problem.kind[one] != problem.kind[two]:
                yield self.bound(rest, gone, (other,)) + offset, gone, (came, other)
        if self.pieces[problem.kind[one]] > 0:
            return  # then the slot of ``two`` is filled from the shelf: another move
        come = np.flatnonzero(~self.open & (problem.machine == problem.machine[one]) & (self.pieces[problem.kind] > 0))
        for bound, _, (k,) in self._each(gone, rest, come):
            yield bound + offset, gone, (came, k)
