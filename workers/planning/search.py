"""Iterated greedy search: take a few jobs out of the orders, put each back where it costs least, keep or undo.

The destruction and the acceptance by a falling temperature are those of Ruiz & Stuetzle 2007 (European Journal of
Operational Research 177, 2033-2049); here runs of neighbouring jobs come out together, half of the time from the
machine that ends last, and every slot of the candidate pairings is priced (``chain.py``, ``quick_chain.py``). Measured
here against an annealing of single random moves compiled by numba, makespan with setups, 5 against 8 processor seconds:
199 to 216 against 206 to 216 at 100 x 10, 107 to 117 against 166 to 179 at 500 x 50; and numba took half a minute to
compile and 230 MB.

Seeded: with a limit of iterations, not of time, the answer is the same every time.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from workers.planning.chain import Chain
from workers.planning.problem import Problem
from workers.planning.quick_chain import chain_of
from workers.planning.rules import frozen
from workers.planning.schedule import Sequences

# Engineering priors, chosen by the measurements in tests/benchmarks/bench_plans.py; more of them in chain.py.
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
    best: Chain | None = None
    number = 0
    while best is None or not watch.over:
        chain = chain_of(problem, start, f"{seed}/{number}")
        _follow(chain, watch, best.best if best else float("inf"))
        best = chain if best is None or chain.best < best.best else best
        number += 1
    return Found(sequences=best.best_orders, rounds=watch.rounds, cancelled=watch.stopped)


def _follow(chain: Chain, watch: _Watch, known: float) -> None:
    """One chain from hot to cold, over as much of the limit as its length takes."""
    first, began, end = watch.rounds, watch.used(), 1.0
    while not watch.look(min(chain.best, known)):
        used = watch.used()
        if watch.rounds - first == SPEED_AFTER and used > began:
            share = (used - began) / SPEED_AFTER * chain.length * chain.jobs
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
    chain = chain_of(problem, ((),) * problem.machines, "")
    least = np.minimum.reduceat(problem.hours, np.searchsorted(problem.job, np.arange(problem.jobs)))
    for job in np.argsort(-least, kind="stable").tolist():
        chain.put([job], chain.everywhere, {})
    return frozen(chain.orders)
