"""gunicorn's worker of threads, with a pace that callers have to keep, and refusals in the one shape of all refusals.

A thread serves one caller at a time, so one that sends or takes a byte now and then would hold it for good. Many such
callers at once still fill the threads for seconds: against that stands a proxy that takes requests in whole.
"""

from __future__ import annotations

import errno
import socket
import time
from http import HTTPStatus
from typing import Any

from gunicorn import util
from gunicorn.http.errors import NoMoreData
from gunicorn.workers.gthread import ThreadWorker
from werkzeug.exceptions import RequestTimeout

from service.problems import PROBLEM_JSON, bare_problem
from workers.model.codec import to_json

# Seconds that may be spent waiting for a request, and one more for each so many bytes that came (engineering priors).
PATIENCE_S, BYTES_PER_S = 5.0, 4096
SEND_S, SENT_AT_ONCE = 20.0, 65_536  # a caller that takes nothing for so long is gone
TOO_SLOW = f"a request may take {PATIENCE_S:g} s, and a second more for each {BYTES_PER_S} bytes of it"


class PacedSocket:
    """A connection that is given up on where its caller is too slow; all else is the socket's own."""

    def __init__(self, sock: socket.socket) -> None:
        self._socket = sock
        self.begin()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._socket, name)

    def begin(self) -> None:
        """The next request is to be read."""
        self._left_s, self._over, self.in_body = PATIENCE_S, False, False

    def recv(self, size: int, *flags: int) -> bytes:
        """Raises RequestTimeout while a body is read, NoMoreData before."""
        if self._over:
            return b""
        began = time.monotonic()
        self._socket.settimeout(max(self._left_s, 0.001))
        try:
            data = self._socket.recv(size, *flags)
        except TimeoutError:
            return self._give_up()
        finally:
            self._socket.settimeout(None)
        self._left_s += len(data) / BYTES_PER_S - (time.monotonic() - began)
        return data

    def _give_up(self) -> bytes:
        self._over = True
        if self.in_body:
            raise RequestTimeout(TOO_SLOW)
        write_problem(self._socket, 408, "", TOO_SLOW)
        raise NoMoreData

    def sendall(self, data: bytes, *flags: int) -> None:
        """Raises OSError (EPIPE) where the caller does not take it."""
        self._socket.settimeout(SEND_S)
        try:
            for start in range(0, len(data), SENT_AT_ONCE):
                self._socket.sendall(data[start : start + SENT_AT_ONCE], *flags)
        except TimeoutError:
            self._over = True
            raise OSError(errno.EPIPE, "the caller takes nothing") from None
        finally:
            self._socket.settimeout(None)


class PacedWorker(ThreadWorker):  # type: ignore[misc]  # gunicorn has no types
    def handle(self, conn: Any) -> Any:
        if not isinstance(conn.sock, PacedSocket):
            conn.sock = PacedSocket(conn.sock)
        conn.sock.begin()
        return super().handle(conn)

    def handle_request(self, req: Any, conn: Any) -> Any:
        conn.sock.in_body = True
        return super().handle_request(req, conn)


def write_problem(sock: Any, status: int, reason: str, message: str) -> None:
    """What never reaches the application: a request line or a header that is too long or no HTTP."""
    words = reason or HTTPStatus(status).phrase
    body = to_json(bare_problem(status, message[:300] or words, ""))
    head = (
        f"HTTP/1.1 {status} {words}\r\nConnection: close\r\nContent-Type: {PROBLEM_JSON}\r\n"
        f"X-Content-Type-Options: nosniff\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    util.write_nonblock(sock, head.encode("latin-1") + body)


util.write_error = write_problem
