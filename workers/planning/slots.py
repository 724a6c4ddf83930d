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
        """Tables of (machines, slots). A job's column is the slot before it; what lies past the end is stale."""
        machines = self.problem.machines
        shape = (machines, room)
        self.room = room
        self._count = np.zeros(machines, dtype=np.int64)
        chain = np.zeros((machines, room + 1), dtype=np.int64)
        self._chain, self._before, self._after = chain, chain[:, :-1], chain[:, 1:]  # families around the slot
        self._between = np.zeros(shape)  # setup hours between the two
        clock = np.zeros((machines, room + 1))
        self._clock, self._end = clock[:, :-1], clock[:, 1:]  # when the job before the slot ends, and the one after
        self._start = np.zeros(shape)
        self._ready = np.zeros(shape)  # releases
        self._idle = np.zeros(shape)  # idle hours so far, those before this job included
        self._job_late = np.zeros(shape)  # cost of an hour late
        self._job_due = np.zeros(shape)
        self._floor = np.full((*shape, room), -np.inf) if self._released else None
        slots, counts = np.arange(room), np.arange(room)[:, None]
        self._barred = np.where(slots > counts, np.inf, 0.0)  # by the number of jobs: inf where there is no such slot
        self._at_end = slots == counts
        self._there = (slots < counts).astype(np.float64)
        self._earlier = np.tri(room, room, -1, dtype=bool)  # jobs before the slot
        self.refresh(range(machines))

    def refresh(self, machines: Iterable[int]) -> None:
        """Work out the tables of these machines again, after their orders changed."""
        for machine in machines:
            if len(self.orders[machine]) >= self.room:
                self._allocate(len(self.orders[machine]) + ROOM)
                return
            self._refresh(machine)

    def _refresh(self, machine: int) -> None:
        order, none = self.orders[machine], self.problem.families
        chain = [none, *[self._family[pairing] for pairing in order], none]
        jobs = [self._job[pairing] for pairing in order]
        count = len(order)
        setups = self._setup[machine, chain[:-1], chain[1:]]
        clocks, starts = self._run(machine, jobs, setups.tolist())
        self._count[machine] = count
        self._chain[machine, : count + 2] = chain
        self._between[machine, : count + 1] = setups
        self._clock[machine, : count + 1] = clocks
        self._start[machine, :count] = starts
        if self._timed:
            self._job_late[machine, :count] = self._late[jobs]
            self._job_due[machine, :count] = self._due_finite[jobs]
        if self._released:
            self._refresh_idle(machine, jobs)

    def _run(self, machine: int, jobs: list[int], setups: list[float]) -> tuple[list[float], list[float]]:
        """Let the machine's order run: sets last end and cost; returns ends (from when it is free) and starts."""
        by, late, due, hours = self.problem.weights, self._late_list, self._due, self._hours
        clock, cost = self._free[machine], by.setup * sum(setups)
        clocks, starts = [clock], []
        for job, pairing, setup in zip(jobs, self.orders[machine], setups, strict=False):
            start = max(clock + setup, self._release[job])
            clock = start + hours[pairing]
            cost += self._fixed_list[pairing] + by.flow * (clock - self._release[job])
            if clock > due[job]:
                cost += late[job] * (clock - due[job])
            clocks.append(clock)
            starts.append(start)
        self.last[machine] = clock if jobs else 0.0
        self.cost[machine] = cost
        return clocks, starts

    def _refresh_idle(self, machine: int, jobs: list[int]) -> None:
        """Idle hours, and how far jobs can move forward, slot by slot: none starts before its release."""
        assert self._floor is not None  # nosec B101  # for the types
        count = len(jobs)
        start = self._start[machine, :count]
        ready = self.problem.release[jobs]
        idle = np.cumsum(start - self._clock[machine, :count] - self._between[machine, :count])
        self._ready[machine, :count] = ready
        self._idle[machine, :count] = idle
        limit = np.where(self._earlier[:count, :count], -np.inf, ready - start + idle)
        self._floor[machine, :count, :count] = np.maximum.accumulate(limit, axis=1) - idle

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
        count = self._count[machine]
        cost = self._fixed[pairing][:, None] + self._barred[count]
        if by.setup:
            cost += by.setup * (s_in + s_out - self._between[machine])
        last = np.where(self._at_end[count], end, self._shifted_last(machine, push))
        if self._timed:
            due, late = self._due_finite[job][:, None], self._late[job][:, None]
            cost += by.flow * (end - problem.release[job][:, None]) + late * np.maximum(end - due, 0.0)
            cost += self._tail(machine, push)
        return Offers(pairing, machine, cost, last)

    def _shifted_last(self, machine: Ints, push: Floats) -> Floats:
        """When the machine ends if the job after each slot starts later by push; the end slot's is not used."""
        shift = push
        if self._floor is not None:
            final = np.maximum(self._count[machine] - 1, 0)
            taken_up = self._idle[machine, final][:, None] - self._idle[machine]
            shift = np.maximum(push - taken_up, self._floor[machine, :, final])
        shifted: Floats = shift + self.last[machine][:, None]
        return shifted

    def _tail(self, machine: Ints, push: Floats) -> Floats:
        """Cost of the jobs after the slot being shifted, (R, L)."""
        flow = self.problem.weights.flow
        used = max(int(self._count.max()), 1)
        shift = push[:, :, None]
        if self._floor is not None:
            idle = self._idle[machine]
            shift = np.maximum(shift - (idle[:, None, :used] - idle[:, :, None]), self._floor[machine, :, :used])
        shift = np.where(self._earlier[:, :used], 0.0, shift)
        there = self._there[self._count[machine], :used]
        over = self._end[machine, :used] - self._job_due[machine, :used]
        late = self._job_late[machine, :used] * there
        worse = np.maximum(over[:, None, :] + shift, 0.0)
        total: Floats = np.einsum("rki,ri->rk", worse, late)
        total -= np.einsum("ri,ri->r", np.maximum(over, 0.0), late)[:, None]
        if flow:
            total += flow * np.einsum("rki,ri->rk", shift, there)
        return total
