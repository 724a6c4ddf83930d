"""Slots: every place where a job could go into the orders as they stand, and what it would cost there, all at once.

One call works out all places of several pairings as arrays (pairings x slots), exactly: later jobs are shifted, and
idle time before a release takes up or limits a shift.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from workers.planning.problem import Floats, Ints, Problem

ROOM = 8  # spare columns when the tables grow


@dataclass(frozen=True, slots=True)
class Offers:
    """For pairings (R,) and slots (L,): cost added without the makespan's, and when the machine would then end."""

    pairing: Ints
    machine: Ints
    cost: Floats  # (R, L), inf where there is no such slot
    last: Floats  # (R, L)


class Slots:
    """The orders of all machines, with the tables that pricing a slot needs. Slot k lies before the k-th job."""

    def __init__(self, problem: Problem, orders: Sequence[Sequence[int]]) -> None:
        self.problem = problem
        self.orders: list[list[int]] = [list(order) for order in orders]
        self.last = np.zeros(problem.machines)  # 0 for a machine without jobs
        self.cost = np.zeros(problem.machines)
        self._prepare()
        self._allocate(max(map(len, self.orders)) + ROOM)

    def _prepare(self) -> None:
        """Plain lists for the loops of one machine, arrays for the pricing."""
        problem, by = self.problem, self.problem.weights
        count = problem.families
        # One more family on both sides: from it, the machine's present state; to it, nothing follows.
        self._setup = np.zeros((problem.machines, count + 1, count + 1))
        self._setup[:, :count, :count] = problem.setup
        self._setup[:, count, :count] = problem.first
        self._job = problem.job.tolist()
        self._family = problem.family.tolist()
        self._hours = problem.hours.tolist()
        self._release = problem.release.tolist()
        self._free = problem.free.tolist()
        self._due = problem.due.tolist()
        self._fixed = by.failure * problem.failure
        self._fixed_list = self._fixed.tolist()
        self._late = by.tardiness * problem.weight
        self._late[np.isinf(problem.due)] = 0.0
        self._late_list = self._late.tolist()
        self._due_finite = np.where(np.isinf(problem.due), 0.0, problem.due)
        self._released = bool(problem.release.any())
        self._timed = bool(self._late.any()) or by.flow > 0

    def _allocate(self, room: int) -> None:
        shape = (self.problem.machines, room)
        self.room = room
        self._before = np.zeros(shape, dtype=np.int64)  # family before the slot
        self._after = np.zeros(shape, dtype=np.int64)  # family after the slot
        self._between = np.zeros(shape)  # setup hours between the two
        self._clock = np.zeros(shape)  # when the job before the slot ends
        self._barred = np.zeros(shape)  # inf where there is no such slot
        self._start = np.zeros(shape)  # start of the job after the slot (past the end: 0)
        self._ready = np.zeros(shape)  # its release
        self._end = np.zeros(shape)
        self._idle = np.zeros(shape)  # idle hours up to and including before this job
        self._job_late = np.zeros(shape)  # cost of an hour late of the job after the slot; 0 past the end
        self._job_due = np.zeros(shape)
        self._job_flow = np.zeros(shape)  # 1 where there is a job
        self._floor = np.full((*shape, room), -np.inf) if self._released else None
        self._is_end = np.zeros(shape, dtype=bool)
        self.refresh(range(self.problem.machines))

    def refresh(self, machines: Iterable[int]) -> None:
        """Work out the tables of these machines again, after their orders changed."""
        for machine in machines:
            if len(self.orders[machine]) >= self.room:
                self._allocate(len(self.orders[machine]) + ROOM)
                return
            self._refresh(machine)

    def _refresh(self, machine: int) -> None:
        order, by = self.orders[machine], self.problem.weights
        none = self.problem.families
        families = [self._family[pairing] for pairing in order]
        jobs = [self._job[pairing] for pairing in order]
        count = len(order)
        before, after = [none, *families], [*families, none]
        setups = self._setup[machine, before, after].tolist()
        clock, idle, cost = self._free[machine], 0.0, 0.0
        clocks, starts, idles = [clock], [], []
        for job, pairing, setup in zip(jobs, order, setups, strict=False):
            start = clock + setup
            release = self._release[job]
            if release > start:
                idle += release - start
                start = release
            clock = start + self._hours[pairing]
            cost += by.setup * setup + self._fixed_list[pairing] + by.flow * (clock - release)
            if clock > self._due[job]:
                cost += self._late_list[job] * (clock - self._due[job])
            clocks.append(clock)
            starts.append(start)
            idles.append(idle)
        self.last[machine] = clock if count else 0.0
        self.cost[machine] = cost
        self._before[machine, : count + 1] = before
        self._after[machine, : count + 1] = after
        self._between[machine, : count + 1] = setups
        self._clock[machine, : count + 1] = clocks
        self._barred[machine, : count + 1] = 0.0
        self._barred[machine, count + 1 :] = np.inf
        self._start[machine, :count] = starts
        self._is_end[machine] = False
        self._is_end[machine, count] = True
        if self._timed:
            self._end[machine, :count] = clocks[1:]
            self._job_late[machine, :count] = self._late[jobs]
            self._job_late[machine, count:] = 0.0
            self._job_due[machine, :count] = self._due_finite[jobs]
            self._job_flow[machine, :count] = 1.0
            self._job_flow[machine, count:] = 0.0
        if self._released:
            self._idle[machine, :count] = idles
            self._idle[machine, count:] = idle
            self._ready[machine, :count] = [self._release[job] for job in jobs]
            self._refresh_floor(machine, count)

    def _refresh_floor(self, machine: int, count: int) -> None:
        """How far jobs can move forward, slot by slot: a job never starts before its release."""
        assert self._floor is not None
        idle = self._idle[machine, :count]
        limit = self._ready[machine, :count] - self._start[machine, :count] + idle
        table = np.where(np.tri(count, dtype=bool).T, limit, -np.inf)
        self._floor[machine, :count, :count] = np.maximum.accumulate(table, axis=1) - idle

    def price(self, pairing: Ints) -> Offers:
        """What each of the pairings would add in each slot of its machine."""
        problem, by = self.problem, self.problem.weights
        machine, family, job = problem.machine[pairing], problem.family[pairing], problem.job[pairing]
        rows, kind = machine[:, None], family[:, None]
        clock = self._clock[machine]
        s_in = self._setup[rows, self._before[machine], kind]
        s_out = self._setup[rows, kind, self._after[machine]]
        end = clock + s_in
        if self._released:
            np.maximum(end, problem.release[job][:, None], out=end)
        end += problem.hours[pairing][:, None]
        push = end + s_out  # when the next job could start
        if self._released:
            np.maximum(push, self._ready[machine], out=push)
        push -= self._start[machine]  # by how much it is shifted
        at_end = self._is_end[machine]
        cost = (
            by.setup * (s_in + s_out - self._between[machine]) + self._fixed[pairing][:, None] + self._barred[machine]
        )
        last = self._shifted_last(machine, push)
        last[at_end] = end[at_end]
        if self._timed:
            due, late = self._due_finite[job][:, None], self._late[job][:, None]
            cost += by.flow * (end - problem.release[job][:, None]) + late * np.maximum(end - due, 0.0)
            cost += self._tail(machine, push)
        return Offers(pairing, machine, cost, last)

    def _shifted_last(self, machine: Ints, push: Floats) -> Floats:
        if self._floor is None:
            shifted: Floats = push + self.last[machine][:, None]
            return shifted
        count = np.array([len(self.orders[m]) for m in machine])
        shift = push - (self._idle[machine, count - 1][:, None] - self._idle_before(machine))
        shift = np.maximum(shift, self._floor[machine, :, np.maximum(count - 1, 0)])
        total: Floats = shift + self.last[machine][:, None]
        return total

    def _idle_before(self, machine: Ints) -> Floats:
        """Idle hours up to the slot's next job, its own included: a shift of its start has passed them already."""
        idle: Floats = self._idle[machine]
        return idle

    def _tail(self, machine: Ints, push: Floats) -> Floats:
        """Cost of the jobs after the slot being shifted, (R, L)."""
        by = self.problem.weights
        used = int(self._job_flow.sum(axis=1).max())
        if self._floor is None:
            shift = np.where(np.tri(self.room, used, -1, dtype=bool), 0.0, push[:, :, None])
        else:
            idle = self._idle[machine]
            shift = push[:, :, None] - (idle[:, None, :used] - idle[:, :, None])
            shift = np.maximum(shift, self._floor[machine, :, :used])
            shift = np.where(np.tri(self.room, used, -1, dtype=bool), 0.0, shift)
        end, due = self._end[machine, None, :used], self._job_due[machine, None, :used]
        before = np.maximum(end - due, 0.0)
        worse = np.maximum(end + shift - due, 0.0) - before
        total: Floats = np.einsum("rki,ri->rk", worse, self._job_late[machine, :used])
        if by.flow:
            total += by.flow * np.einsum("rki,ri->rk", shift, self._job_flow[machine, :used])
        return total
