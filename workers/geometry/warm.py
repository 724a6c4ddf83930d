"""The warm server from the caller's side: started once a process, asked for a child a mesh, started anew if it dies."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
import threading
from typing import IO, Any


class WarmChild:
    """An analysis in a fork of the warm server, handled as a ``subprocess.Popen`` is."""

    def __init__(self, stdout: IO[bytes], line: socket.socket) -> None:
        self.stdout = stdout
        self._line = line
        self._code: int | None = None

    def kill(self) -> None:
        """Tell the server that no answer is wanted; it kills at once."""
        with contextlib.suppress(OSError):
            self._line.shutdown(socket.SHUT_WR)

    def wait(self) -> int | None:
        """The return code, minus the signal for one that was killed; None where the server went with the child."""
        if self._code is None:
            told = b""
            with contextlib.suppress(OSError):
                while block := self._line.recv(64):
                    told += block
            self._code = int(told) if told else None
        return self._code

    def close(self) -> None:
        self._line.close()


class WarmServer:
    """The server of this process. Safe to use from several threads."""

    def __init__(self, environment: dict[str, str]) -> None:
        self._environment = environment
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._socket: socket.socket | None = None

    @property
    def pid(self) -> int | None:
        """Of the server that runs now, if one does."""
        return None if self._process is None or self._process.poll() is not None else self._process.pid

    def start(self) -> None:
        """Begin to import, beside what the caller does. Raises OSError."""
        with self._lock:
            self._started()

    def child(self, given: IO[bytes], errors: IO[bytes]) -> WarmChild:
        """A child that reads ``given``. Raises OSError where none can be started."""
        ends = own, far = socket.socketpair()
        read, write = os.pipe()
        try:
            with self._lock:
                self._ask([given.fileno(), write, errors.fileno(), far.fileno()])
        except OSError:
            own.close()
            os.close(read)
            raise
        finally:
            far.close()
            os.close(write)
        return WarmChild(os.fdopen(read, "rb", buffering=0), ends[0])

    def stop(self) -> None:
        """End the server and every child of it."""
        with self._lock:
            self._stopped()

    def _ask(self, ends: list[int]) -> None:
        try:
            socket.send_fds(self._started(), [b"x"], ends)
        except OSError:  # it died since: once more, with another
            self._stopped()
            socket.send_fds(self._started(), [b"x"], ends)

    def _started(self) -> socket.socket:
        if self._socket is not None and self.pid is not None:
            return self._socket
        self._stopped()
        self._socket, far = socket.socketpair()
        with far:
            command = [sys.executable, "-P", "-m", "workers.geometry.warm_server", str(far.fileno())]
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                env=self._environment,
                pass_fds=[far.fileno()],
            )
        return self._socket

    def _stopped(self) -> None:
        if self._socket is not None:
            self._socket.close()
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        self._socket = self._process = None


Child = WarmChild | subprocess.Popen[Any]
