"""The second core: bounds, and integer programs where they fit, beside the search.

HiGHS lets go of Python's lock while it works, so a thread is enough. It cannot be interrupted, only be given a time
limit: after a cancel the thread ends by itself when the program at hand does.
"""

from __future__ import annotations

import threading
import time

from workers.planning.assignment import assign
from workers.planning.bound import Bound, BoundKind, bounds
from workers.planning.problem import Problem
from workers.planning.schedule import Sequences, cost_of


class Prover:
    """bound: the best so far. better: a plan of its own, or None. Start it, read it, and join it."""

    def __init__(self, problem: Problem, start: Sequences, *, seconds: float, assigns: bool) -> None:
        self.bound = Bound(value=0.0, kind=BoundKind.TRIVIAL)
        self.better: Sequences | None = None
        self.failure: Exception | None = None
        self._problem = problem
        self._start = start
        self._until = time.monotonic() + seconds
        self._assigns = assigns
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name="prover", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def finish(self, *, wait: bool) -> None:
        """Have it stop; wait for it, unless the plan was cancelled. Raises what went wrong in it."""
        self._stopped.set()
        if wait:
            self._thread.join()
        if self.failure is not None:
            raise self.failure

    def proves(self, cost: float) -> bool:
        """Whether nothing costs less."""
        return cost <= self.bound.value + 1e-9 * max(1.0, cost)

    @property
    def done(self) -> bool:
        return not self._thread.is_alive()

    def _run(self) -> None:
        try:
            self._prove()
        except Exception as error:  # noqa: BLE001 - handed to the caller by finish()
            self.failure = error

    def _prove(self) -> None:
        for bound in bounds(self._problem, seconds=self._left()):
            self.bound = bound
            if self._stopped.is_set():
                return
        if self._assigns and self.bound.through is not None:
            self._assign()

    def _assign(self) -> None:
        found = assign(self._problem, self._start, self.bound, seconds=self._left(), cancelled=self._stopped.is_set)
        self.bound = found.bound
        if cost_of(self._problem, found.sequences) < cost_of(self._problem, self._start):
            self.better = found.sequences

    def _left(self) -> float:
        return max(self._until - time.monotonic(), 0.0)
