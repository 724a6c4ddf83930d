"""One chain of the iterated greedy search: the orders as they stand, and a round that changes them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from random import Random

import numpy as np

from workers.planning.problem import Floats, Ints, Problem
from workers.planning.rules import frozen
from workers.planning.schedule import Sequences
from workers.planning.slots import Slots

# Engineering priors, chosen by the measurements in tests/benchmarks/bench_plans.py.
NEAR = 8  # pairings of a job that are tried ...
EVERYWHERE = 0.1  # ... except that this share of the rounds tries all
TAKEN_OUT = 8  # jobs at most
FROM_LAST = 0.5  # share of the rounds that begin on the machine that ends last
TWO_RUNS = 0.5  # share of the rounds that take neighbours out on two machines
IN_A_RUN = 0.9  # of the other rounds, the share that takes neighbours out on one
COLD = 0.01  # last temperature, in mean printing hours


Choices = Sequence[Sequence[int]]  # the pairings of each job that are tried


class Chain:
    """The orders as they stand, the best so far, and the random numbers. For any problem.

    length: rounds, for each job. hot: first temperature, in mean printing hours. balance: weight of the squared ends of
    the machines beside the makespan, so that plateaus get a slope.
    """

    length = 150
    hot = 0.1
    balance = 0.3

    def __init__(self, problem: Problem, start: Sequences, seed: str) -> None:
        self.jobs = problem.jobs
        self._random = Random(seed)  # nosec B311  # a seeded search, no secret
        self.problem = problem
        self._begin(start)
        self._makespan = problem.weights.makespan
        self._machine = problem.machine
        self._job: list[int] = problem.job.tolist()
        self._at = [0] * problem.jobs
        for machine, order in enumerate(start):
            for pairing in order:
                self._at[self._job[pairing]] = machine
        own = np.split(np.arange(problem.pairings), np.searchsorted(problem.job, range(1, problem.jobs)))
        self.everywhere: Choices = [one.tolist() for one in own]
        self._near: Choices = [one.tolist() for one in _nearest(problem, own)]
        self._hour = _hour_cost(problem)
        span = self._last_end() or float(problem.hours.sum()) / problem.machines
        self._balance = self._makespan * self.balance / max(span, 1e-9)
        self._temperature = 0.0
        self._now = self._value()
        self.best, self.best_orders = self._cost(), frozen(self.orders)

    def _begin(self, start: Sequences) -> None:
        self.slots = Slots(self.problem, start)
        self.orders = self.slots.orders

    def cool(self, used: float) -> None:
        self._temperature = self._hour * self.hot * (COLD / self.hot) ** used

    def round(self) -> None:
        """Take out, put back, keep or undo."""
        jobs = self._choose()
        before = [self._at[job] for job in jobs]
        saved: dict[int, list[int]] = {}
        self._take_out(jobs, saved)
        everywhere = self._random.random() < EVERYWHERE
        self.put(jobs, self.everywhere if everywhere else self._near, saved)
        value = self._value()
        if value <= self._now + self._temperature * self._random.expovariate(1.0):
            self._now = value
            self._note_best()
            return
        self._restore(saved)
        for job, machine in zip(jobs, before, strict=True):
            self._at[job] = machine

    def _cost(self) -> float:
        return float(self.slots.cost.sum() + self._makespan * self.slots.last.max())

    def _value(self) -> float:
        return self._cost() + self._balance * float(self.slots.last @ self.slots.last)

    def _last_end(self) -> float:
        return float(self.slots.last.max())

    def _last_machine(self) -> int:
        return int(self.slots.last.argmax())

    def _refresh(self, machines: Iterable[int]) -> None:
        """After the orders of these machines were changed."""
        self.slots.refresh(machines)

    def _note_best(self) -> None:
        cost = self._cost()
        if cost < self.best - 1e-9:
            self.best, self.best_orders = cost, frozen(self.orders)

    def _restore(self, saved: dict[int, list[int]]) -> None:
        for machine, order in saved.items():
            self.orders[machine] = order
        self._refresh(saved)

    def _choose(self) -> list[int]:
        """The jobs to take out: one run of neighbours, or two, or a run and some others; in random order."""
        draw = self._random
        machine = self._at[draw.randrange(self.jobs)]
        if draw.random() < FROM_LAST:
            machine = self._last_machine()
        if draw.random() < TWO_RUNS:
            other = self._at[draw.randrange(self.jobs)]
            jobs = self._some_run(machine, draw.randint(1, TAKEN_OUT // 2))
            if other != machine:
                jobs += self._some_run(other, draw.randint(1, TAKEN_OUT // 2))
        else:
            count = draw.randint(1, min(TAKEN_OUT, self.jobs))
            jobs = self._some_run(machine, count if draw.random() < IN_A_RUN else 1)
            while len(jobs) < count:
                job = draw.randrange(self.jobs)
                if job not in jobs:
                    jobs.append(job)
        draw.shuffle(jobs)
        return jobs

    def _some_run(self, machine: int, count: int) -> list[int]:
        """Up to so many neighbours, from a random place of a machine on."""
        order = self.orders[machine]
        first = self._random.randrange(len(order))
        return [self._job[pairing] for pairing in order[first : first + count]]

    def _take_out(self, jobs: Sequence[int], saved: dict[int, list[int]]) -> None:
        out = set(jobs)
        for machine in {self._at[job] for job in jobs}:
            order = self.orders[machine]
            saved[machine] = order
            self.orders[machine] = [pairing for pairing in order if self._job[pairing] not in out]
        self._refresh(saved)

    def put(self, jobs: Sequence[int], choices: Choices, saved: dict[int, list[int]]) -> None:
        """Put jobs in, one by one, each into its cheapest slot; saved keeps the orders that had to change."""
        slots = self.slots
        pairings = np.array([pairing for job in jobs for pairing in choices[job]], dtype=np.int64)
        offers = slots.price(pairings)
        cost, last, machines = offers.cost, offers.last, offers.machine
        begin = 0
        for job in jobs:
            end = begin + len(choices[job])
            row, slot = self._cheapest(cost[begin:end], last[begin:end], machines[begin:end])
            machine = int(machines[begin + row])
            saved.setdefault(machine, list(slots.orders[machine]))
            slots.orders[machine].insert(slot, int(pairings[begin + row]))
            self._at[job] = machine
            room, begin = slots.room, end
            slots.refresh((machine,))
            if begin == len(pairings):
                return
            if slots.room != room:
                fresh = slots.price(pairings)
                cost, last = fresh.cost, fresh.last
            else:
                rows = begin + np.flatnonzero(machines[begin:] == machine)
                if rows.size:
                    fresh = slots.price(pairings[rows])
                    cost[rows], last[rows] = fresh.cost, fresh.last

    def _cheapest(self, cost: Floats, last: Floats, machines: Ints) -> tuple[int, int]:
        ends = self.slots.last
        if self._makespan:
            now = ends[machines, None]
            later = np.maximum(last - ends.max(), 0.0)
            cost = cost + self._makespan * later + self._balance * (last * last - now * now)
        row, slot = divmod(int(cost.argmin()), cost.shape[1])
        return row, slot


def _nearest(problem: Problem, everywhere: Sequence[Ints]) -> list[Ints]:
    """For each job, its NEAR quickest pairings, the least setup counted in."""
    apart = problem.setup.copy()
    if problem.families > 1:
        apart[:, np.arange(problem.families), np.arange(problem.families)] = np.inf
    hours = problem.hours + apart.min(axis=1)[problem.machine, problem.family]
    return [own[np.argsort(hours[own], kind="stable")[:NEAR]] for own in everywhere]


def _hour_cost(problem: Problem) -> float:
    """What one job of mean length costs if it comes that much later: the unit of the temperature."""
    by = problem.weights
    dated = float(np.where(np.isfinite(problem.due), problem.weight, 0.0).mean())
    rate = by.makespan + by.setup + by.flow + by.tardiness * dated
    return float(problem.hours.mean()) * rate + by.failure * float(problem.failure.mean())
