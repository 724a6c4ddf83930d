"""The supervisor: starts child processes in order, restarts those that die, ends them in reverse order."""

from __future__ import annotations

import logging
import os
import select
import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from types import FrameType

from service.child import BackOff, Child, signal_group, spawn
from service.log import event
from service.pulse import PULSE_FD, Pulse

log = logging.getLogger(__name__)

POLL_S = 0.05  # between two readiness questions, and while waiting for an end
IDLE_S = 5.0  # nothing is due; a death wakes us at once through SIGCHLD
LAST_WORD_S = 2.0  # between the second SIGTERM and SIGKILL
HURRIED_STOP_S = 1.0  # a second Ctrl-C leaves each child this long


@dataclass(slots=True)
class _Run:
    """One child's present life. `process` is None while it waits for its restart."""

    child: Child
    process: subprocess.Popen[bytes] | None = None
    started_at: float = 0.0
    start_due_at: float = 0.0
    ready: bool = False
    failures: int = 0
    reminded: bool = False
    pulse: Pulse | None = None


class Supervisor:
    """Runs a list of children until it is told to stop. To be used from the main thread.

    on_ready is called once, when every child is ready for the first time; on_stopping before the first is ended.
    Before that first moment a child that fails `first_failures` times in a row ends the whole start; later it
    is restarted for ever.
    """

    def __init__(
        self,
        children: Sequence[Child],
        *,
        back_off: BackOff | None = None,
        on_ready: Callable[[], None] = lambda: None,
        on_stopping: Callable[[], None] = lambda: None,
        first_failures: int = 5,
    ) -> None:
        self._runs = [_Run(child) for child in sorted(children, key=lambda one: one.stage)]
        self._back_off = back_off or BackOff()
        self._on_ready = on_ready
        self._on_stopping = on_stopping
        self._first_failures = first_failures
        self._was_ready = False
        self._stop_requests = 0
        self._wake_fd = -1

    def run(self) -> int:
        """Supervise until SIGTERM, SIGINT or SIGHUP. Gives the exit code: 0, or 1 when the start was given up."""
        with self._signals():
            try:
                return self._supervise()
            finally:
                self._on_stopping()
                self._stop_all()

    def _supervise(self) -> int:
        while not self._stop_requests:
            self._reap()
            self._kill_hung()
            if self._given_up():
                return 1
            self._start_due()
            self._ask_ready()
            self._wait(self._pause_s())
        return 0

    def _kill_hung(self) -> None:
        """What gives no sign of life any more is killed, and then restarted as any other that died."""
        for run in self._runs:
            if run.process is None or run.pulse is None:
                continue
            silent_s = run.pulse.silent_s()
            if silent_s > run.child.hung_after_s:
                log.error(event("child hangs and is killed", child=run.child.name, silent_s=round(silent_s, 1)))
                signal_group(run.process.pid, signal.SIGKILL)
                run.process.wait()

    def _reap(self) -> None:
        for run in self._runs:
            if run.process is not None and run.process.poll() is not None:
                self._note_death(run, run.process)

    def _note_death(self, run: _Run, process: subprocess.Popen[bytes]) -> None:
        signal_group(process.pid, signal.SIGTERM)  # what it left behind must not work beside its successor
        self._plan_restart(run, end=exit_words(process.returncode), pid=process.pid)

    def _plan_restart(self, run: _Run, **values: object) -> None:
        now = time.monotonic()
        up_s = now - run.started_at
        run.failures = 1 if up_s >= self._back_off.steady_s else run.failures + 1
        delay_s = self._back_off.delay_s(run.failures)
        run.process, run.ready, run.start_due_at = None, False, now + delay_s
        if run.pulse is not None:
            run.pulse.close()
            run.pulse = None
        log.error(event("child ended", child=run.child.name, **values, up_s=round(up_s, 1), restart_in_s=delay_s))

    def _given_up(self) -> bool:
        if self._was_ready:
            return False
        for run in self._runs:
            if run.failures >= self._first_failures:
                log.critical(event("giving up the start", child=run.child.name, failures=run.failures))
                return True
        return False

    def _start_due(self) -> None:
        now = time.monotonic()
        for run in self._runs:
            if run.process is None and run.start_due_at <= now and self._may_start(run.child):
                self._start(run)

    def _may_start(self, child: Child) -> bool:
        """The order of stages holds for the first start only; later each child comes back by itself."""
        return self._was_ready or all(run.ready for run in self._runs if run.child.stage < child.stage)

    def _start(self, run: _Run) -> None:
        run.started_at = time.monotonic()
        try:
            run.process = self._spawn(run)
        except (OSError, subprocess.SubprocessError) as error:
            self._plan_restart(run, error=str(error))
            return
        word = "child restarted" if run.failures else "child started"
        log.info(event(word, child=run.child.name, pid=run.process.pid))

    def _spawn(self, run: _Run) -> subprocess.Popen[bytes]:
        """Raises OSError."""
        if not run.child.hung_after_s:
            return spawn(run.child)
        pulse = run.pulse = Pulse()
        fd = pulse.write_fd
        environ = {**run.child.environ, PULSE_FD: str(fd)}
        try:
            return spawn(replace(run.child, environ=environ, keep_fds=(*run.child.keep_fds, fd)))
        finally:
            pulse.handed_over()

    def _ask_ready(self) -> None:
        for run in self._runs:
            if run.process is not None and not run.ready and run.child.ready(run.process.pid):
                run.ready = True
                log.info(event("child ready", child=run.child.name, pid=run.process.pid))
        if not self._was_ready and all(run.ready for run in self._runs):
            self._was_ready = True
            for run in self._runs:
                run.failures = 0
            self._on_ready()

    def _pause_s(self) -> float:
        if any(run.process is not None and not run.ready for run in self._runs):
            return POLL_S
        due = [run.start_due_at for run in self._runs if run.process is None]
        if not due:
            return IDLE_S
        return min(max(min(due) - time.monotonic(), POLL_S), IDLE_S)

    def _wait(self, seconds: float) -> None:
        """Sleep until a signal comes or the time is over."""
        if select.select([self._wake_fd], [], [], seconds)[0]:
            os.read(self._wake_fd, 4096)

    def _stop_all(self) -> None:
        alive = [run for run in self._runs if run.process is not None]
        for stage in sorted({run.child.stage for run in alive}, reverse=True):
            self._stop_stage([run for run in alive if run.child.stage == stage])
        log.info(event("all children ended"))

    def _stop_stage(self, runs: list[_Run]) -> None:
        began = time.monotonic()
        _terminate(runs)
        while alive := [run for run in runs if _is_alive(run)]:
            for run in alive:
                self._press(run, time.monotonic() - began)
            self._wait(POLL_S)
        for run in runs:
            if run.process is not None:
                signal_group(run.process.pid, signal.SIGKILL)  # what it left behind
                log.info(event("child stopped", child=run.child.name, end=exit_words(run.process.wait())))

    def _press(self, run: _Run, waited_s: float) -> None:
        """Press a child that does not end: at its deadline SIGTERM once more, then SIGKILL.

        A worker takes the second SIGTERM as leave to drop the task in its hands.
        """
        limit_s = min(run.child.stop_s, HURRIED_STOP_S) if self._stop_requests > 1 else run.child.stop_s
        if waited_s >= limit_s + LAST_WORD_S and run.process is not None:
            log.warning(event("child did not end in time and is killed", child=run.child.name))
            signal_group(run.process.pid, signal.SIGKILL)
            run.process.wait()
        elif waited_s >= limit_s and not run.reminded:
            run.reminded = True
            _terminate([run])

    @contextmanager
    def _signals(self) -> Iterator[None]:
        """Turn SIGTERM, SIGINT and SIGCHLD into bytes on a pipe, so that waiting is one `select`."""
        self._wake_fd, write_fd = os.pipe()
        os.set_blocking(write_fd, False)
        old_wake = signal.set_wakeup_fd(write_fd, warn_on_full_buffer=False)
        handlers = dict.fromkeys(_stop_signals(), self._note_stop) | {signal.SIGCHLD: _only_wake}
        old = {number: signal.signal(number, handler) for number, handler in handlers.items()}
        try:
            yield
        finally:
            for number, handler in old.items():
                signal.signal(number, handler)
            signal.set_wakeup_fd(old_wake)
            os.close(write_fd)
            os.close(self._wake_fd)

    def _note_stop(self, number: int, frame: FrameType | None) -> None:
        self._stop_requests += 1


def _is_alive(run: _Run) -> bool:
    return run.process is not None and run.process.poll() is None


def _terminate(runs: list[_Run]) -> None:
    for run in runs:
        if run.process is not None and _is_alive(run):
            run.process.send_signal(signal.SIGTERM)


def _stop_signals() -> list[signal.Signals]:
    """Give the signals that mean stop; a closed terminal does too, unless it was to be ignored (nohup)."""
    hang_up = [] if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN else [signal.SIGHUP]
    return [signal.SIGTERM, signal.SIGINT, *hang_up]


def _only_wake(number: int, frame: FrameType | None) -> None:
    """A handler must exist for the signal to reach the pipe; there is nothing else to do."""


def exit_words(code: int) -> str:
    """Give an exit code in words: "exit 3", or the name of the signal that ended the process."""
    if code >= 0:
        return f"exit {code}"
    try:
        return signal.Signals(-code).name
    except ValueError:
        return f"signal {-code}"
