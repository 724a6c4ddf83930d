"""One running service for all faults: its data and its scratch on small file systems, its clocks ours to set.

The file systems are mounted in a mount namespace of the service (unshare(1)), which asks for root; the clock of Redis
is set through libfaketime (Debian: libfaketime), that of Python by ``stepped/``. Where one of the two is missing, only
the tests that need it are skipped.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.service.faults.faulty import Service, serving
from tests.service.processes import wait_until

FAKETIME = next(iter(Path("/usr/lib").glob("*/faketime/libfaketime.so.1")), None)
STEPPED = Path(__file__).parent / "stepped"
DATA_MB, SCRATCH_MB = 48, 16


def may_mount() -> bool:
    if shutil.which("unshare") is None:
        return False
    return subprocess.run(["unshare", "-m", "true"], capture_output=True, check=False).returncode == 0


def _redis_with_a_clock(folder: Path, binary: Path) -> Path:
    """A folder for PATH with a redis-server that goes by the clock file."""
    (folder / "bin").mkdir()
    script = folder / "bin" / "redis-server"
    script.write_text(
        "#!/bin/sh\n"
        f"export LD_PRELOAD={FAKETIME} FAKETIME_TIMESTAMP_FILE={folder}/clock\n"
        "export FAKETIME_DONT_FAKE_MONOTONIC=1 FAKETIME_CACHE_DURATION=1\n"
        f'exec {binary} "$@"\n'
    )
    script.chmod(0o755)
    return script.parent


@pytest.fixture(scope="package")
def faults(redis_binary: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    folder = tmp_path_factory.mktemp("faults")
    (folder / "data").mkdir()
    (folder / "scratch").mkdir()
    offset = folder / "clock"
    offset.write_text("+0s")
    environ = {
        "TMPDIR": str(folder / "scratch"),
        "STEPPED_CLOCK": str(offset),
        "PYTHONPATH": os.pathsep.join((str(STEPPED), os.environ.get("PYTHONPATH", ""))),
        "BOREWRIGHT_API_PROCESSES": "1",
        "BOREWRIGHT_HUNG_AFTER_S": "4",
    }
    if FAKETIME is not None:
        environ["PATH"] = os.pathsep.join((str(_redis_with_a_clock(folder, redis_binary)), os.environ["PATH"]))
    before = ()
    if may_mount():
        mounts = (f"mount -t tmpfs -o size={DATA_MB}m none data", f"mount -t tmpfs -o size={SCRATCH_MB}m none scratch")
        script = " && ".join([f"cd {folder}", *mounts, "cd /", 'exec "$@"'])
        before = ("unshare", "-m", "sh", "-c", script, "sh")
    with serving(folder, "--workers", "1", before=before, **environ) as up:
        assert up.hand_in().status == 202
        yield up
        up.require_all_kept_and_routed()
        assert "request failed" not in up.run.log  # as each answer 500 is noted
        assert up.run.stop() == 0


@pytest.fixture
def service(faults: Service) -> Iterator[Service]:
    """Whole before and after each test, with nothing done but that the fault has ended."""
    faults.await_ready()
    yield faults
    wait_until(lambda: faults.status("GET", "/readyz") == 200, "readiness")
    wait_until(lambda: faults.hand_in().status == 202, "a job accepted again")
    faults.require_all_kept_and_routed()


@pytest.fixture
def disks() -> None:
    if not may_mount():
        pytest.skip("this user may not mount file systems in a namespace (unshare -m)")


@pytest.fixture
def clock(faults: Service) -> Iterator[Path]:
    """The file that holds the offset of the service's clocks."""
    if FAKETIME is None:
        pytest.skip("there is no libfaketime (Debian: apt-get install libfaketime)")
    file = faults.folder / "clock"
    yield file
    file.write_text("+0s")
