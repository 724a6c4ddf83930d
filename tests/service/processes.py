"""Helpers for tests with real processes: run a command, read its log, find what it left behind (Linux)."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

MARK = "BOREWRIGHT_TEST_MARK"
PATIENCE_S = 60.0  # generous: a loaded machine must not fail a test


def wait_until(met: Callable[[], object], what: str) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not met():
        assert time.monotonic() < deadline, f"waited {PATIENCE_S:g} s in vain for: {what}"
        time.sleep(0.05)


def is_alive(pid: int) -> bool:
    """A zombie is not alive: it is done and only waits to be counted (proc(5), stat, field 3)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@dataclass
class Running:
    """A process under test. All that descend from it carry its mark in their environment."""

    process: subprocess.Popen
    log_file: Path
    mark: str

    @property
    def log(self) -> str:
        return self.log_file.read_text()

    def wait_for_log(self, pattern: str, times: int = 1) -> list[str]:
        """Wait until the pattern stands in the log so many times; give all matches (or their first group)."""

        def seen_or_over() -> bool:
            over = self.process.poll() is not None
            return len(re.findall(pattern, self.log)) >= times or over

        wait_until(seen_or_over, pattern)
        found = re.findall(pattern, self.log)
        assert len(found) >= times, f"{pattern!r} not found in:\n{self.log}"
        return found

    def pid_of(self, child: str) -> int:
        """Give the process id of a child's latest start."""
        return int(self.wait_for_log(rf"child (?:re)?started child={child} pid=(\d+)")[-1])

    def descendants(self) -> set[int]:
        """Give all living processes with the mark, the process itself left out."""
        wanted = f"{MARK}={self.mark}".encode()
        found = set()
        for entry in Path("/proc").iterdir():
            with contextlib.suppress(OSError):
                if entry.name.isdigit() and wanted in (entry / "environ").read_bytes().split(b"\0"):
                    found.add(int(entry.name))
        return {pid for pid in found - {self.process.pid} if is_alive(pid)}

    def stop(self, number: signal.Signals = signal.SIGTERM) -> int:
        self.process.send_signal(number)
        return self.process.wait(PATIENCE_S)


@contextmanager
def running(command: list[str], log_file: Path, **environ: str) -> Iterator[Running]:
    """Run a command, its output in a log file; whatever of it is alive at the end is killed."""
    mark = secrets.token_hex(8)
    with log_file.open("ab") as log:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            env={**os.environ, **environ, MARK: mark},
            start_new_session=True,
        )
    started = Running(process, log_file, mark)
    try:
        yield started
    finally:
        for pid in {process.pid, *started.descendants()} if process.poll() is None else started.descendants():
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        process.wait()
