"""Iterated greedy search: take a few jobs out of the orders, put each back where it costs least, keep or undo.

The destruction and the acceptance by a falling temperature are those of Ruiz & Stuetzle 2007 (European Journal of
Operational Research 177, 2033-2049); here runs of neighbouring jobs come out together, half of the time from the
machine that ends last, and every slot of the candidate pairings is priced at once (``slots.py``). Measured here against
an annealing of single random moves compiled by numba, makespan with setups, 5 against 8 processor seconds: 199 to 216
against 206 to 216 at 100 x 10, 107 to 117 against 166 to 179 at 500 x 50; and numba took half a minute to compile and
230 MB.

Seeded: with a limit of iterations, not of time, the answer is the same every time.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
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
HOT, COLD = 0.1, 0.01  # temperatures, in mean printing hours
BALANCE = 0.3  # weight of the squared ends of the machines beside the makespan: plateaus get a slope
CHAIN = 150  # rounds of one chain, for each job
LOOK_EVERY = 8  # rounds between looks at the clock and the cancel flag
SPEED_AFTER = 8 * LOOK_EVERY  # rounds after which the speed is known

Progress = Callable[[float, float], None]  # share of the limit used, best cost so far


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """When to stop: whichever comes first. clock is read for seconds only."""

    seconds: float | None = None
    rounds: int | None = None
    clock: Callable[[], float] = time.monotonic

    def used(self, began: float, rounds: int) -> float:
        """The share used up: 1 or more when it is over."""
        share = 0.0
        if self.seconds is not None:
            share = (self.clock() - began) / self.seconds if self.seconds > 0 else 1.0
        if self.rounds is not None:
            share = max(share, rounds / self.rounds if self.rounds > 0 else 1.0)
        return share


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The best orders seen, and how many rounds it took to stop looking."""

    sequences: Sequences
    rounds: int
    cancelled: bool


def improve(
    problem: Problem,
    start: Sequences,
    *,
    seed: int,
    limit: Limit,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
    enough: Callable[[float], bool] | None = None,
) -> Found:
    """Search from a start until the limit, a cancel, or a best cost that is enough.

    A small problem is searched several times over, independently: that gains more than one long run (measured).
    """
    watch = _Watch(limit, progress, cancelled, enough)
    best: _Chain | None = None
    number = 0
    while best is None or not watch.over:
        chain = _Chain(problem, start, f"{seed}/{number}")
        _follow(chain, watch, best.best if best else float("inf"))
        best = chain if best is None or chain.best < best.best else best
        number += 1
    return Found(sequences=best.best_orders, rounds=watch.rounds, cancelled=watch.stopped)


def _follow(chain: _Chain, watch: _Watch, known: float) -> None:
    """One chain from hot to cold, over as much of the limit as its length takes."""
    first, began, end = watch.rounds, watch.used(), 1.0
    while not watch.look(min(chain.best, known)):
        used = watch.used()
        if watch.rounds - first == SPEED_AFTER and used > began:
            share = (used - began) / SPEED_AFTER * CHAIN * chain.jobs
            end = began + (1.0 - began) / max(round((1.0 - began) / share), 1)
        if used >= end:
            return
        chain.cool((used - began) / (end - began))
        for _ in range(LOOK_EVERY):
            chain.round()
        watch.rounds += LOOK_EVERY


class _Watch:
    """The limit, and who is told and asked. over: the search ends; stopped: because it was cancelled."""

    def __init__(
        self,
        limit: Limit,
        progress: Progress | None,
        cancelled: Callable[[], bool] | None,
        enough: Callable[[float], bool] | None,
    ) -> None:
        self._limit, self._progress, self._cancelled, self._enough = limit, progress, cancelled, enough
        self._began = limit.clock()
        self.rounds = 0
        self.over = self.stopped = False

    def used(self) -> float:
        return self._limit.used(self._began, self.rounds)

    def look(self, best: float) -> bool:
        """Whether it is over, at this best cost."""
        used = self.used()
        if self._progress is not None:
            self._progress(min(used, 1.0), best)
        self.stopped = self._cancelled is not None and self._cancelled()
        self.over = used >= 1.0 or self.stopped or (self._enough is not None and self._enough(best))
        return self.over


def insert_all(problem: Problem) -> Sequences:
    """Greedy insertion: the longest jobs first, each into the slot where it costs least."""
    chain = _Chain(problem, ((),) * problem.machines, "")
    least = np.minimum.reduceat(problem.hours, np.searchsorted(problem.job, np.arange(problem.jobs)))
    for job in np.argsort(-least, kind="stable").tolist():
        chain.put([job], chain.everywhere, {})
    return frozen(chain.slots.orders)


class _Chain:
    """One search: the orders as they stand, the best so far, and the random numbers."""

    def __init__(self, problem: Problem, start: Sequences, seed: str) -> None:
        self.jobs = problem.jobs
        self._random = Random(seed)
        self.slots = Slots(problem, start)
        self._makespan = problem.weights.makespan
        self._machine = problem.machine
        self._job: list[int] = problem.job.tolist()
        self._at = [0] * problem.jobs
        for machine, order in enumerate(start):
            for pairing in order:
                self._at[self._job[pairing]] = machine
        self.everywhere = np.split(np.arange(problem.pairings), np.searchsorted(problem.job, range(1, problem.jobs)))
        self._near = _nearest(problem, self.everywhere)
        self._hour = _hour_cost(problem)
        span = float(self.slots.last.max()) or float(problem.hours.sum()) / problem.machines
        self._balance = self._makespan * BALANCE / max(span, 1e-9)
        self._temperature = 0.0
        self._now = self._value()
        self.best, self.best_orders = self._cost(), frozen(self.slots.orders)

    def cool(self, used: float) -> None:
        self._temperature = self._hour * HOT * (COLD / HOT) ** used

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

    def _note_best(self) -> None:
        cost = self._cost()
        if cost < self.best - 1e-9:
            self.best, self.best_orders = cost, frozen(self.slots.orders)

    def _restore(self, saved: dict[int, list[int]]) -> None:
        for machine, order in saved.items():
            self.slots.orders[machine] = order
        self.slots.refresh(saved)

    def _choose(self) -> list[int]:
        """The jobs to take out: one run of neighbours, or two, or a run and some others; in random order."""
        draw = self._random
        machine = self._at[draw.randrange(self.jobs)]
        if draw.random() < FROM_LAST:
            machine = int(self.slots.last.argmax())
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
        order = self.slots.orders[machine]
        first = self._random.randrange(len(order))
        return [self._job[pairing] for pairing in order[first : first + count]]

    def _take_out(self, jobs: Sequence[int], saved: dict[int, list[int]]) -> None:
        out = set(jobs)
        for machine in {self._at[job] for job in jobs}:
            order = self.slots.orders[machine]
            saved[machine] = order
            self.slots.orders[machine] = [pairing for pairing in order if self._job[pairing] not in out]
        self.slots.refresh(saved)

    def put(self, jobs: Sequence[int], choices: Sequence[Ints], saved: dict[int, list[int]]) -> None:
        """Put jobs in, one by one, each into its cheapest slot; saved keeps the orders that had to change."""
        slots = self.slots
        pairings = np.concatenate([choices[job] for job in jobs])
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
