"""A sign of life each second, over a pipe: how the supervisor tells a process that hangs from one that works.

A thread of the child writes it, so it stops when the whole process is frozen, or holds the interpreter for good.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time

PULSE_FD = "BOREWRIGHT_PULSE_FD"  # not a setting: the supervisor hands the pipe's end to the child
EVERY_S = 1.0
LOOKED_S = 12.0  # who has not looked for so long stood still himself, maybe with the whole machine


class Pulse:
    """The supervisor's end of one child's pipe."""

    def __init__(self) -> None:
        self._read_fd, self.write_fd = os.pipe()
        os.set_blocking(self._read_fd, False)
        os.set_blocking(self.write_fd, False)
        self._last_at: float | None = None
        self._looked_at = time.monotonic()

    def handed_over(self) -> None:
        """The child has its end; ours would keep the pipe open."""
        os.close(self.write_fd)

    def silent_s(self) -> float:
        """Seconds since the last sign of life; 0 before the first, since a start may take its time."""
        now, stood_still = time.monotonic(), time.monotonic() - self._looked_at > LOOKED_S
        self._looked_at = now
        if self._was_heard() or (stood_still and self._last_at is not None):
            self._last_at = now
        return 0.0 if self._last_at is None else now - self._last_at

    def _was_heard(self) -> bool:
        with contextlib.suppress(BlockingIOError):
            return bool(os.read(self._read_fd, 65_536))
        return False

    def close(self) -> None:
        os.close(self._read_fd)


def begin_pulse() -> None:
    """In a child: write signs of life, if the supervisor wants any."""
    text = os.environ.get(PULSE_FD, "")
    if text.isdigit():
        threading.Thread(target=_beat, args=(int(text),), name="pulse", daemon=True).start()


def _beat(fd: int) -> None:
    """Until the supervisor is gone."""
    while True:
        try:
            os.write(fd, b".")
        except BlockingIOError:  # it has not looked for long: it knows enough
            pass
        except OSError:
            return
        time.sleep(EVERY_S)
