"""One instance a data folder: an advisory lock that lasts as long as the instance and its Redis."""

from __future__ import annotations

import contextlib
import fcntl
import os
import time
from pathlib import Path
from types import TracebackType

LOCK_NAME = "borewright.lock"
# How long a Redis whose supervisor was killed may take to write its last bytes and go.
PREDECESSOR_S = 15.0


class FolderInUseError(RuntimeError):
    """Another instance works on this data folder, or the folder cannot be used; the text is for the user."""


class FolderLock:
    """Holds `flock` on a file in the data folder.

    The descriptor `fd` is handed to the Redis child too: the lock then lasts until both have ended, so that two
    servers never write one append-only file, even when the supervisor was killed. Raises FolderInUseError.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            self.fd = os.open(folder / LOCK_NAME, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise FolderInUseError(f"The data folder {folder} cannot be used: {error.strerror}.") from error
        try:
            self._acquire()
        except FolderInUseError:
            os.close(self.fd)
            raise

    def _acquire(self) -> None:
        deadline = time.monotonic() + PREDECESSOR_S
        while not self._try():
            holder = self._holder()
            if _is_alive(holder) or time.monotonic() > deadline:
                raise FolderInUseError(
                    f"Another Borewright (process {holder}) works on the data folder {self.folder}. "
                    "Stop it first, or give this one a folder of its own with --data."
                )
            time.sleep(0.1)
        os.ftruncate(self.fd, 0)
        os.pwrite(self.fd, str(os.getpid()).encode(), 0)

    def _try(self) -> bool:
        with contextlib.suppress(BlockingIOError):
            fcntl.flock(self.fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        return False

    def _holder(self) -> int:
        text = os.pread(self.fd, 20, 0)
        return int(text) if text.isdigit() else 0

    def close(self) -> None:
        os.close(self.fd)

    def __enter__(self) -> FolderLock:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _is_alive(pid: int) -> bool:
    if pid <= 0:
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
