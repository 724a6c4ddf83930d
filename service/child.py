"""One supervised process: what it is (`Child`), and how it is started and ended."""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

PR_SET_PDEATHSIG = 1  # <linux/prctl.h>


def always_ready(pid: int) -> bool:
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class Child:
    """What the supervisor runs. Times are in seconds.

    stage: a child starts once all of lower stages are ready, and ends before them.
    environ: the whole environment of the process.
    ready: says, given the process id, whether the process does its work yet; must return soon.
    keep_fds: file descriptors that the process inherits.
    stop_s: how long it may take to end after SIGTERM.
    hung_after_s: without a sign of life (see service/pulse.py) for so long it is killed; 0: it gives none.
    death_signal: what it gets when the supervisor dies without a word (Linux only).
    """

    name: str
    command: tuple[str, ...]
    stage: int = 0
    environ: Mapping[str, str] = field(default_factory=lambda: dict(os.environ))
    ready: Callable[[int], bool] = always_ready
    keep_fds: tuple[int, ...] = ()
    stop_s: float = 10.0
    hung_after_s: float = 0.0
    death_signal: signal.Signals = signal.SIGTERM


@dataclass(frozen=True, slots=True)
class BackOff:
    """How long to wait before a restart: doubling from `first_s`, never above `longest_s`.

    A process that was up for `steady_s` seconds starts again from the first delay. Engineering priors.
    """

    first_s: float = 0.5
    longest_s: float = 30.0
    steady_s: float = 30.0

    def delay_s(self, failures: int) -> float:
        """Give the wait after this many failures in a row (1 or more)."""
        return float(min(self.longest_s, self.first_s * 2.0 ** min(failures - 1, 30)))


def spawn(child: Child) -> subprocess.Popen[bytes]:
    """Start a child in a session of its own, its output on our standard error. Raises OSError.

    The session keeps a Ctrl-C at the terminal away from it: only the supervisor decides who ends when.
    """
    return subprocess.Popen(
        child.command,
        env=dict(child.environ),
        stdin=subprocess.DEVNULL,
        stdout=sys.stderr.fileno(),
        start_new_session=True,
        pass_fds=child.keep_fds,
        preexec_fn=_dying_with(os.getpid(), child.death_signal),  # noqa: PLW1509 - there is one thread only
    )


def signal_group(pid: int, number: signal.Signals) -> None:
    """Signal a child's whole process group, which outlives the child itself when it left processes behind."""
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(pid, number)


def _dying_with(parent: int, number: signal.Signals) -> Callable[[], None] | None:
    """Give what a child does between fork and exec so that the kernel ends it when its parent dies.

    Linux only: elsewhere a supervisor that is killed outright leaves its children to be ended by hand.
    """
    if not sys.platform.startswith("linux"):
        return None
    prctl = ctypes.CDLL(None).prctl  # looked up before the fork: the child must not load anything

    def ask_kernel() -> None:
        prctl(PR_SET_PDEATHSIG, int(number))
        if os.getppid() != parent:  # the parent died before the request was made
            os._exit(1)

    return ask_kernel
