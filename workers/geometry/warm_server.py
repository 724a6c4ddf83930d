"""The warm server: a process that has everything imported and forks once a mesh; it analyses nothing itself.

Over the socket given by number come four file descriptors a mesh: the child's standard input, output and errors, and
the far end of its line. Over that line the child's end is told as its return code (minus the signal); a line closed by
the caller ends the child. When the socket closes, all end. It keeps to one thread, since only that is safe to fork.
"""

from __future__ import annotations

import contextlib
import gc
import os
import selectors
import signal
import socket
import sys
import traceback
from dataclasses import dataclass, field

from workers.geometry import child

_IMPORTED = (
    "workers.geometry.summary",
    "workers.geometry.display",
    "workers.geometry.threemf",
    "manifold3d",
    "shapely",
    "lib3mf",
    "scipy.spatial",
    "scipy.ndimage",
    "trimesh.exchange.off",
    "trimesh.exchange.ply",
    "trimesh.exchange.obj",
    "trimesh.exchange.stl",
    "encodings.cp437",  # of ZIP names
)
_MOST_OPEN = 1 << 16


def main() -> int:
    """Imports, then forks until the caller closes its end. Returns the exit code."""
    from workers.geometry.compiled import compile_all

    for name in _IMPORTED:
        __import__(name)
    compile_all()
    gc.collect()
    gc.freeze()  # what is shared stays shared: no child's collection writes to it
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)  # the caller's end is ours; it may still have an analysis to finish
    with socket.socket(fileno=int(sys.argv[1])) as caller:
        _Server(caller).serve()
    return 0


@dataclass(eq=False)
class _Server:
    """Waits for meshes, for children that end, and for callers that break off."""

    caller: socket.socket
    lines: dict[int, socket.socket] = field(default_factory=dict)  # by process id

    def serve(self) -> None:
        """Until the caller's end is closed."""
        reaped, wake = os.pipe()
        for end in (reaped, wake):
            os.set_blocking(end, False)
        signal.signal(signal.SIGCHLD, lambda *_: None)
        signal.set_wakeup_fd(wake, warn_on_full_buffer=False)
        with selectors.DefaultSelector() as self._selector:
            self._selector.register(self.caller, selectors.EVENT_READ)
            self._selector.register(reaped, selectors.EVENT_READ)
            while True:
                ready = [key for key, _ in self._selector.select()]
                for key in ready:
                    if key.fd == reaped:
                        _emptied(reaped)
                    elif key.data is not None:
                        self._break_off(key.data)
                self._reap()
                if any(key.fileobj is self.caller for key in ready) and not self._take():
                    return

    def _take(self) -> bool:
        """Fork for one mesh; False where the caller has gone."""
        try:
            message, ends, _, _ = socket.recv_fds(self.caller, 1, 4)
        except OSError:
            return False
        if not message or len(ends) != 4:
            return False
        line = socket.socket(fileno=ends[3])
        own = os.getpid()
        process = os.fork()
        if process == 0:
            _be_a_child(ends[:3], own)
        for end in ends[:3]:
            os.close(end)
        self.lines[process] = line
        self._selector.register(line, selectors.EVENT_READ, process)
        return True

    def _break_off(self, process: int) -> None:
        """The caller wants no answer any more. The process is not reaped yet, so its number is still its own."""
        if process in self.lines:
            self._selector.unregister(self.lines[process])
            os.kill(process, signal.SIGKILL)

    def _reap(self) -> None:
        while self.lines:
            process, status = os.waitpid(-1, os.WNOHANG)
            if not process:
                return
            line = self.lines.pop(process)
            with contextlib.suppress(KeyError):
                self._selector.unregister(line)
            with line, contextlib.suppress(OSError):
                line.sendall(str(os.waitstatus_to_exitcode(status)).encode())


def _emptied(end: int) -> None:
    with contextlib.suppress(BlockingIOError):
        while os.read(end, 4096):
            pass


def _be_a_child(ends: list[int], server: int) -> None:
    """In the fork: nothing of the server's stays open; the analysis, then the end. Never returns."""
    code = 1
    try:
        signal.set_wakeup_fd(-1)
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGCHLD):
            signal.signal(number, signal.SIG_DFL)
        for standard, end in enumerate(ends):
            os.dup2(end, standard)
        os.closerange(3, _MOST_OPEN)
        child.die_with_parent()
        if os.getppid() == server:
            code = child.main()
    except BaseException:  # noqa: BLE001 - whatever it was, this process ends here
        with contextlib.suppress(BaseException):
            traceback.print_exc()
    finally:
        with contextlib.suppress(BaseException):
            sys.stderr.flush()
        os._exit(code)


if __name__ == "__main__":
    sys.exit(main())
