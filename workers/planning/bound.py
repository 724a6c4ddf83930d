"""Lower bounds on the cost of any schedule, from linear programs (HiGHS, through scipy).

The assignment bound lets jobs be split between pairings and counts, for each, the least setup that can precede it and
the earliest end it could have alone; the arc bound also decides what precedes what. Both are valid for every weight;
tardiness and flow are bounded weakly, since neither program knows of queues.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from workers.planning.problem import Floats, Ints, Problem
from workers.planning.rows import Part, Rows

ARCS_MAX = 120_000  # the arc program is tried up to this size: 100,000 arcs took 4 s of one core here
SLACK = 1e-6  # what a linear program's value may be off by, relative


class BoundKind(StrEnum):
    TRIVIAL = "trivial"  # zero
    ASSIGNMENT = "assignment"
    ARCS = "arcs"
    SEARCHED = "searched"  # integer programming or enumeration went through everything below it


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """No schedule costs less than value. through: (P,) no schedule that uses the pairing costs less than this."""

    value: float
    kind: BoundKind
    through: Floats | None = None


def bounds(problem: Problem, *, seconds: float) -> Iterator[Bound]:
    """Ever better bounds, as far as the time allows."""
    until = time.monotonic() + seconds
    bound = assignment_bound(problem, seconds=seconds)
    yield bound
    left = until - time.monotonic()
    if problem.has_setups and left > 0 and arcs_of(problem) <= ARCS_MAX:
        arcs = arc_bound(problem, seconds=left)
        if arcs.value > bound.value:
            yield arcs


def lower_bound(problem: Problem, *, seconds: float) -> Bound:
    """The best bound that the time allows."""
    return max(bounds(problem, seconds=seconds), key=lambda bound: bound.value)


def rounded(problem: Problem, value: float) -> float:
    """The bound with a margin for rounding errors; up to the next whole number where costs are whole numbers."""
    value -= SLACK * max(1.0, abs(value))
    return float(math.ceil(value)) if whole(problem) else max(value, 0.0)


def whole(problem: Problem) -> bool:
    """Whether every schedule costs a whole number: a makespan alone, of whole hours."""
    by = problem.weights
    if by.makespan != 1.0 or by.tardiness or by.flow or by.setup or by.failure:
        return False
    parts = (problem.hours, problem.setup, problem.first, problem.release, problem.free)
    return all(bool((part == np.round(part)).all()) for part in parts)


def assignment_bound(problem: Problem, *, seconds: float) -> Bound:
    """Each job in shares over its pairings; on every machine one job may be first and take its first setup instead."""
    return _solved(problem, assignment_rows(problem), seconds, BoundKind.ASSIGNMENT)


def assignment_rows(problem: Problem) -> Rows:
    """The program: its first P variables are the shares."""
    least, first = least_setups(problem)
    rows = Rows()
    saving = np.maximum(least - first, 0.0)
    may_lead = np.flatnonzero(saving > 0)
    share = rows.variables(_pairing_costs(problem, least))
    lead = rows.variables(-problem.weights.setup * saving[may_lead])
    rows.equal([(problem.job, share, 1.0)], np.ones(problem.jobs))
    if may_lead.size:
        own = np.arange(may_lead.size)
        rows.at_most([(own, lead, 1.0), (own, share[may_lead], -1.0)], np.zeros(may_lead.size))
        rows.at_most([(problem.machine[may_lead], lead, 1.0)], np.ones(problem.machines))
    if problem.weights.makespan:
        end = _makespan_rows(problem, rows, share, np.minimum(least, first))
        load: list[Part] = [(problem.machine, share, problem.hours + least)]
        load.append((problem.machine[may_lead], lead, -saving[may_lead]))
        _load_rows(problem, rows, share, end, load)
    return rows


def arcs_of(problem: Problem) -> int:
    """How many (pairing, next pairing) there are."""
    return int((np.bincount(problem.machine, minlength=problem.machines) ** 2).sum())


def arc_bound(problem: Problem, *, seconds: float) -> Bound:
    """Each job in shares over its pairings and over what precedes it there; circles are not excluded."""
    least, first = least_setups(problem)
    before, after = _arcs(problem)
    hours = problem.setup[problem.machine[before], problem.family[before], problem.family[after]]
    rows, count = Rows(), problem.pairings
    share = rows.variables(_pairing_costs(problem, np.minimum(least, first), setups=False))
    arc = rows.variables(problem.weights.setup * hours)
    lead = rows.variables(problem.weights.setup * first)
    rows.equal([(problem.job, share, 1.0)], np.ones(problem.jobs))
    own = np.arange(count)
    rows.equal([(after, arc, 1.0), (own, lead, 1.0), (own, share, -1.0)], np.zeros(count))
    rows.at_most([(before, arc, 1.0), (own, share, -1.0)], np.zeros(count))
    rows.at_most([(problem.machine, lead, 1.0)], np.ones(problem.machines))
    if problem.weights.makespan:
        end = _makespan_rows(problem, rows, share, np.minimum(least, first))
        load: list[Part] = [(problem.machine, share, problem.hours), (problem.machine[after], arc, hours)]
        load.append((problem.machine, lead, first))
        _load_rows(problem, rows, share, end, load)
    return _solved(problem, rows, seconds, BoundKind.ARCS)


def least_setups(problem: Problem) -> tuple[Floats, Floats]:
    """For each pairing the least setup after another job on its machine (without any: the first), and its first."""
    users = np.zeros((problem.machines, problem.families), dtype=np.int64)
    jobs = np.unique(np.stack([problem.machine, problem.family, problem.job]), axis=1)
    np.add.at(users, (jobs[0], jobs[1]), 1)
    table = np.where((users > 0)[:, :, None], problem.setup, np.inf)
    own = np.arange(problem.families)
    table[:, own, own] = np.where(users > 1, problem.setup[:, own, own], np.inf)
    first = problem.first[problem.machine, problem.family]
    least = table.min(axis=1)[problem.machine, problem.family]
    return np.where(np.isfinite(least), least, first), first


def _pairing_costs(problem: Problem, setup: Floats, *, setups: bool = True) -> Floats:
    """What a job costs at least on each pairing, makespan aside."""
    by, job = problem.weights, problem.job
    end = _earliest_ends(problem, setup)
    due = np.where(np.isfinite(problem.due), problem.due, np.inf)[job]
    late = np.maximum(end - due, 0.0)
    cost: Floats = by.failure * problem.failure + by.tardiness * problem.weight[job] * late
    cost = cost + by.flow * (end - problem.release[job])
    return cost + by.setup * setup if setups else cost


def _earliest_ends(problem: Problem, setup: Floats) -> Floats:
    first = problem.first[problem.machine, problem.family]
    start = problem.free[problem.machine] + np.minimum(setup, first)
    ends: Floats = np.maximum(start, problem.release[problem.job]) + problem.hours
    return ends


def _makespan_rows(problem: Problem, rows: Rows, share: Ints, setup: Floats) -> Ints:
    """The makespan, no less than any job's earliest end."""
    end = rows.variables(np.array([problem.weights.makespan]))
    jobs = np.arange(problem.jobs)
    early = _earliest_ends(problem, setup)
    rows.at_most([(problem.job, share, early), (jobs, np.repeat(end, problem.jobs), -1.0)], np.zeros(problem.jobs))
    return end


def _load_rows(problem: Problem, rows: Rows, share: Ints, end: Ints, load: list[Part]) -> None:
    """No machine works longer than from when it is free to the makespan, if it is used."""
    machines = np.arange(problem.machines)
    parts: list[Part] = [*load, (machines, np.repeat(end, problem.machines), -1.0)]
    busy = np.flatnonzero(problem.free > 0)
    if busy.size:
        used = rows.variables(np.zeros(problem.machines))
        parts.append((machines, used, problem.free))
        late = np.flatnonzero(problem.free[problem.machine] > 0)
        order = np.arange(late.size)
        rows.at_most([(order, share[late], 1.0), (order, used[problem.machine[late]], -1.0)], np.zeros(late.size))
    rows.at_most(parts, np.zeros(problem.machines))


def _arcs(problem: Problem) -> tuple[Ints, Ints]:
    before, after = [], []
    for machine in range(problem.machines):
        own = np.flatnonzero(problem.machine == machine)
        a, b = np.repeat(own, own.size), np.tile(own, own.size)
        apart = problem.job[a] != problem.job[b]
        before.append(a[apart])
        after.append(b[apart])
    return np.concatenate(before), np.concatenate(after)


def _solved(problem: Problem, rows: Rows, seconds: float, kind: BoundKind) -> Bound:
    solution = rows.minimum(seconds)
    if solution is None:
        return Bound(value=0.0, kind=BoundKind.TRIVIAL)
    value, reduced = solution
    margin = SLACK * max(1.0, abs(value))
    return Bound(value=rounded(problem, value), kind=kind, through=value + reduced[: problem.pairings] - margin)
