"""How long a process that answers others waits for Redis: so long a command, so long a request, and not all at once.

Without this, each thread of a server would sit out the whole timeout of each command while Redis hangs, until no thread
is left to say so.
"""

from __future__ import annotations

import time
from contextvars import ContextVar
from threading import Lock, get_ident
from typing import Any

import redis

REQUEST_S = 8.0  # spent waiting for Redis in one request, in all
PAUSE_S = 1.0  # between two tries while Redis does not answer; everybody else is refused at once

_left: ContextVar[list[float] | None] = ContextVar("seconds_left_for_redis", default=None)


def begin_request(seconds: float = REQUEST_S) -> None:
    """From now on all waiting for Redis in this thread takes no longer than this, and one command's timeout."""
    _left.set([seconds])


def end_request() -> None:
    """What is still sent, piece by piece, may take its time."""
    _left.set(None)


class Patience:
    """What the connections of one client know of each other. Thread-safe. timeout_s: of one command.

    silent: whether Redis did not answer the last time somebody tried.
    """

    def __init__(self, timeout_s: float) -> None:
        self._timeout_s = timeout_s
        self.silent, self._next_try, self._finds_out = False, 0.0, 0
        self._lock = Lock()

    def admit(self) -> None:
        """Raises redis.TimeoutError while Redis is known not to answer, but for one caller who may find out."""
        left = _left.get()
        if left is not None and left[0] <= 0.0:
            raise redis.TimeoutError(f"the store took more than {REQUEST_S:g} s over this request")
        if not self.silent:
            return
        with self._lock:
            now = time.monotonic()
            if now < self._next_try and self._finds_out != get_ident():
                raise redis.TimeoutError("the store did not answer a moment ago")
            self._next_try, self._finds_out = now + self._timeout_s + PAUSE_S, get_ident()

    def waited(self, seconds: float) -> None:
        self.silent = False
        if (left := _left.get()) is not None:
            left[0] -= seconds

    def was_in_vain(self) -> None:
        with self._lock:
            self.silent, self._next_try, self._finds_out = True, time.monotonic() + PAUSE_S, 0


def patient(kind: type[Any], patience: Patience) -> type[Any]:
    """A kind of redis-py connection that keeps to the patience."""

    class PatientConnection(kind):  # type: ignore[misc]
        def connect(self) -> None:
            if self._sock is not None:  # asked before each command
                return
            patience.admit()
            try:
                super().connect()
            except redis.TimeoutError:
                patience.was_in_vain()
                raise

        def send_packed_command(self, command: Any, check_health: bool = True) -> None:
            patience.admit()
            kind.send_packed_command(self, command, check_health)

        def read_response(self, *args: Any, **options: Any) -> Any:
            began = time.monotonic()
            try:
                answer = kind.read_response(self, *args, **options)
            except redis.TimeoutError:
                patience.was_in_vain()
                raise
            if patience.silent or _left.get() is not None:
                patience.waited(time.monotonic() - began)
            return answer

    return PatientConnection
