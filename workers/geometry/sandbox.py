"""One analysis in a child process with bounds on time and memory: a summary or a typed error, never a hang."""

from __future__ import annotations

import json
import os
import selectors
import subprocess
import sys
import tempfile
import time
from base64 import b64decode
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import IO, TYPE_CHECKING, Any

from workers.geometry.child import memory_detail
from workers.geometry.errors import (
    REFUSALS,
    AnalysisUnavailableError,
    MeshCrashedError,
    MeshMemoryError,
    MeshTimeError,
    MeshTooLargeError,
)
from workers.geometry.limits import MIB, MeshLimits
from workers.geometry.orientation import Pose
from workers.geometry.warm import Child, WarmChild, WarmServer
from workers.model.codec import from_plain, to_plain
from workers.model.errors import InvalidError
from workers.model.part import GeometrySummary

if TYPE_CHECKING:
    from workers.geometry.summary import Progress

KeepDisplay = Callable[[bytes], None]
_MOST_OUTPUT = 64 * MIB
_READ = 1 << 16
_TIME_SIGNALS = (-14, -24)  # SIGALRM, SIGXCPU
_warm: WarmServer | None = None
_KEPT_ENVIRONMENT = ("PATH", "LANG", "LC_ALL", "TMPDIR", "HOME", "LD_LIBRARY_PATH", "VIRTUAL_ENV", "NUMBA_CACHE_DIR")
_START_S = 120.0  # until a child has all imported, and its kernels compiled if need be


def run_summary(
    data: bytes,
    *,
    fmt: str | None,
    unit: str,
    limits: MeshLimits | None = None,
    progress: Progress | None = None,
    keep_display: KeepDisplay | None = None,
) -> GeometrySummary:
    """``summarise`` in a child process. Raises MeshRefusedError or a subclass; unavailable if it cannot start.

    keep_display is given what the part looks like (``display_stl``), where that could be made.
    """
    answer = _run(data, fmt, unit, limits or MeshLimits(), progress, keep_display, poses=0)
    return from_plain(answer["summary"], GeometrySummary)


def run_poses(
    data: bytes,
    *,
    fmt: str | None,
    unit: str,
    limits: MeshLimits | None = None,
    progress: Progress | None = None,
    most: int = 4,
    keep_display: KeepDisplay | None = None,
) -> tuple[tuple[Pose, GeometrySummary], ...]:
    """``summarise_poses`` in a child process. Raises and keeps as ``run_summary``."""
    answer = _run(data, fmt, unit, limits or MeshLimits(), progress, keep_display, poses=most)
    return tuple((from_plain(pose, Pose), from_plain(summary, GeometrySummary)) for pose, summary in answer["poses"])


def _run(
    data: bytes,
    fmt: str | None,
    unit: str,
    limits: MeshLimits,
    progress: Progress | None,
    keep_display: KeepDisplay | None,
    *,
    poses: int,
) -> dict[str, Any]:
    if len(data) > limits.upload_bytes:
        raise MeshTooLargeError(
            f"The file has {len(data) / MIB:.1f} MiB; the limit is {limits.upload_bytes / MIB:g} MiB."
        )
    request = {"fmt": fmt, "unit": unit, "limits": to_plain(limits), "poses": poses}
    request["display"] = keep_display is not None
    with _scratch() as errors, _child(request, data, errors) as child:
        for message in _messages(child, limits):
            if "progress" in message:
                if progress:
                    progress(*message["progress"])
                continue
            answer = _kept(message)
            if keep_display and answer["display"]:
                keep_display(b64decode(answer["display"]))
            return answer
        raise _end(child, errors, limits)


def _scratch() -> IO[bytes]:
    """Raises AnalysisUnavailableError."""
    try:
        return tempfile.TemporaryFile()
    except OSError as problem:
        raise AnalysisUnavailableError(f"The analysis has no room on its disk: {problem.strerror}.") from problem


def keep_warm() -> None:
    """From now on fork each child from one process that has all imported: for a process that analyses many meshes."""
    global _warm  # noqa: PLW0603 - one server a process
    if _warm is None and sys.platform == "linux":
        _warm = WarmServer(_environment())
        with suppress(OSError):
            _warm.start()  # else it is tried again with the first mesh


def let_cool() -> None:
    """End what ``keep_warm`` started."""
    global _warm  # noqa: PLW0603
    if _warm is not None:
        _warm.stop()
    _warm = None


@contextmanager
def _child(request: dict[str, Any], data: bytes, errors: IO[bytes]) -> Iterator[Child]:
    """The running child; killed and reaped on the way out, whatever happened."""
    try:
        with tempfile.TemporaryFile() as given:
            given.write(json.dumps(request).encode() + b"\n" + data)
            given.seek(0)
            child = _warm.child(given, errors) if _warm else _spawned(given, errors)
    except OSError as problem:  # among them a disk that is full
        raise AnalysisUnavailableError(f"The analysis cannot be started: {problem.strerror}.") from problem
    try:
        yield child
    finally:
        child.kill()
        child.wait()
        if child.stdout:
            child.stdout.close()
        if isinstance(child, WarmChild):
            child.close()


def _spawned(given: IO[bytes], errors: IO[bytes]) -> subprocess.Popen[bytes]:
    # -P: a folder named workers where the caller stands is not ours
    command = [sys.executable, "-P", "-m", "workers.geometry.child"]
    return subprocess.Popen(command, stdin=given, stdout=subprocess.PIPE, stderr=errors, env=_environment())


def _environment() -> dict[str, str]:
    """What the child needs and no secrets; numerical libraries keep to one thread each."""
    kept = {name: os.environ[name] for name in _KEPT_ENVIRONMENT if name in os.environ}
    single = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    return {**kept, **single, "PYTHONPATH": os.pathsep.join(path or os.getcwd() for path in sys.path)}


def _messages(child: Child, limits: MeshLimits) -> Iterator[dict[str, Any]]:
    """The child's lines until it ends. Raises MeshTimeError when it takes longer from its first line on."""
    assert child.stdout is not None  # nosec B101  # for the types: PIPE was asked for
    waiting, total, deadline = b"", 0, time.monotonic() + _START_S + limits.seconds
    with selectors.DefaultSelector() as selector:
        selector.register(child.stdout, selectors.EVENT_READ)
        while True:
            left = deadline - time.monotonic()
            if left <= 0 or not selector.select(left):
                raise MeshTimeError(_time_detail(limits))
            block = os.read(child.stdout.fileno(), _READ)
            if not block:
                return
            if not total:
                deadline = time.monotonic() + limits.seconds
            total += len(block)
            if total > _MOST_OUTPUT:
                raise MeshCrashedError(f"The analysis wrote more than {_MOST_OUTPUT / MIB:g} MiB.")
            *lines, waiting = (waiting + block).split(b"\n")
            yield from map(_message, lines)


def _message(line: bytes) -> dict[str, Any]:
    try:
        message = json.loads(line)
    except ValueError as problem:
        raise MeshCrashedError("The analysis answered with something that is no answer.") from problem
    return dict(message)


def _time_detail(limits: MeshLimits) -> str:
    return f"The analysis took longer than {limits.seconds:g} s, the limit."


def _kept(message: dict[str, Any]) -> dict[str, Any]:
    """The answer, or the refusal it carries, raised."""
    if "refused" not in message:
        return message
    slug, detail = message["refused"]["slug"], message["refused"]["detail"]
    raise REFUSALS.get(slug, InvalidError)(detail)


def _end(child: Child, errors: IO[bytes], limits: MeshLimits) -> InvalidError | AnalysisUnavailableError:
    """What an end without an answer means."""
    code = child.wait()
    if code is None:
        return AnalysisUnavailableError("The analysis was ended from outside.")
    errors.seek(max(errors.seek(0, os.SEEK_END) - 4000, 0))
    tail = errors.read().decode(errors="replace").lower()
    if code in _TIME_SIGNALS:
        return MeshTimeError(_time_detail(limits))
    if code == -9 or "bad_alloc" in tail or "memory" in tail:
        return MeshMemoryError(memory_detail(limits))
    return MeshCrashedError(f"The analysis broke off without an answer (exit code {code}); the mesh is refused.")
