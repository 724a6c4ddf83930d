"""A second search beside the first, in a process of its own: Python's lock would let two threads take turns only.

Run as ``python -m workers.planning.companion``: a pickled (problem, start, seed, seconds) on stdin, the pickled
sequences on stdout. Both ends are this module, so nothing foreign is unpickled.
"""

from __future__ import annotations

import os
import pickle  # nosec B403  # both ends are this module
import subprocess
import sys
from threading import Thread

from workers.planning.problem import Problem
from workers.planning.schedule import Sequences
from workers.planning.search import Limit, improve

WORTH_S = 3.0  # shorter searches are over before the process has started (half a second, measured)


class Companion:
    """Another search from the same start with another seed. Start it; then take its result, or stop it."""

    def __init__(self, problem: Problem, start: Sequences, *, seed: int, seconds: float) -> None:
        self._order = pickle.dumps((problem, start, seed, seconds))
        self._answer = b""
        command = [sys.executable, "-P", "-m", "workers.planning.companion"]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self._thread = Thread(target=self._talk, name="companion", daemon=True)
        self._thread.start()

    def _talk(self) -> None:
        self._answer, _ = self._process.communicate(self._order)

    def result_within(self, seconds: float) -> Sequences | None:
        """What it found; None if it did not come to an end in so many seconds more."""
        self._thread.join(seconds)
        self.stop()
        if self._process.returncode != 0 or not self._answer:
            return None
        found: Sequences = pickle.loads(self._answer)  # nosec B301  # from our own child
        return found

    def stop(self) -> None:
        if self._thread.is_alive():
            self._process.kill()
        self._thread.join()


def cores() -> int:
    """Processor cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def main() -> None:
    problem, start, seed, seconds = pickle.load(sys.stdin.buffer)  # nosec B301  # from our own parent
    found = improve(problem, start, seed=seed, limit=Limit(seconds=seconds))
    sys.stdout.buffer.write(pickle.dumps(found.sequences))


if __name__ == "__main__":
    main()
