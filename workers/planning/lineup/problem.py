"""The line-up problem as plain arrays: what each entry of a mix costs with each nozzle on each machine.

A mounting is one kind of nozzle on one machine. A line-up is a set of mountings: no more on a machine than it has
slots, no more of a kind than there are pieces. Entries of the mix are shared out over the mountings that are there
(in parts, if that is cheaper: an entry stands for many copies or many jobs), or are bought outside; hours beyond a
machine's room cost extra. Money and hours are those of one window.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from workers.model.errors import InvalidError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
LineUp = tuple[int, ...]  # mountings, ascending


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineUpProblem:
    """J entries, K mountings, M machines, N kinds of nozzle.

    cost, hours: (J, K) of the whole entry; cost is inf where it cannot print. outside: (J,) cost of buying the entry
    outside. machine, kind: (K,). once: (K,) cost of having the mounting at all (a change of nozzle, its price).
    slots: (M,); pieces: (N,). room: (M,) hours in the window; overload: (M,) cost of an hour beyond.
    Raises InvalidError.
    """

    cost: Floats
    hours: Floats
    outside: Floats
    machine: Ints
    kind: Ints
    once: Floats
    slots: Ints
    pieces: Ints
    room: Floats
    overload: Floats

    def __post_init__(self) -> None:
        entries, mountings = self.cost.shape
        shapes = {
            "hours": (entries, mountings),
            "outside": (entries,),
            "machine": (mountings,),
            "kind": (mountings,),
            "once": (mountings,),
            "overload": self.room.shape,
            "slots": self.room.shape,
        }
        for name, shape in shapes.items():
            if getattr(self, name).shape != shape:
                raise InvalidError(f"{name} has the shape {getattr(self, name).shape}, not {shape}")
        for name in ("hours", "outside", "once", "slots", "pieces", "room", "overload"):
            values = getattr(self, name)
            if not (np.isfinite(values).all() and (values >= 0).all()):
                raise InvalidError(f"{name} is finite and not negative")
        if np.isnan(self.cost).any() or (self.cost < 0).any():
            raise InvalidError("cost is not negative; inf where the entry cannot print")

    @property
    def entries(self) -> int:
        return int(self.cost.shape[0])

    @property
    def mountings(self) -> int:
        return int(self.cost.shape[1])

    @property
    def machines(self) -> int:
        return len(self.slots)

    @property
    def kinds(self) -> int:
        return len(self.pieces)


def is_possible(problem: LineUpProblem, chosen: LineUp) -> bool:
    """Whether the slots and the pieces suffice, and nothing is mounted twice."""
    if len(set(chosen)) != len(chosen):
        return False
    at = np.array(chosen, dtype=np.int64)
    on_machine = np.bincount(problem.machine[at], minlength=problem.machines)
    of_kind = np.bincount(problem.kind[at], minlength=problem.kinds)
    return bool((on_machine <= problem.slots).all() and (of_kind <= problem.pieces).all())


def without_kind(problem: LineUpProblem, kind: int) -> LineUpProblem:
    """The problem in which there is no piece of the kind."""
    return replace(problem, pieces=np.where(np.arange(problem.kinds) == kind, 0, problem.pieces))


def with_one_free(problem: LineUpProblem, kind: int, change: Floats) -> LineUpProblem:
    """The problem in which there is one piece of the kind, and it costs no more than its change (K,)."""
    pieces = np.where(np.arange(problem.kinds) == kind, 1, problem.pieces)
    return replace(problem, pieces=pieces, once=np.where(problem.kind == kind, change, problem.once))


def once_of(problem: LineUpProblem, chosen: LineUp) -> float:
    return float(problem.once[list(chosen)].sum())
