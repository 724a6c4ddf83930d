"""The child process of the sandbox: one mesh in on standard input, lines of JSON out, then the end.

Input: one line of JSON (the request) and the bytes of the file. Output lines: {"progress": [phase, percent]}, the first
as soon as limits count, then one of {"summary": ..., "display": ...}, {"poses": [...], "display": ...},
{"refused": {"slug", "detail"}};
display: what the part looks like, as base64, where it was asked for.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import sys
from base64 import b64encode
from typing import TYPE_CHECKING, Any, BinaryIO

from workers.geometry.errors import MeshMemoryError
from workers.geometry.limits import MIB, MeshLimits
from workers.model.codec import from_plain, to_json, to_plain
from workers.model.errors import InvalidError

if TYPE_CHECKING:
    from workers.geometry.mend import Solid

_GRACE_S = 5
_PR_SET_PDEATHSIG = 1


def main() -> int:
    """Reads the request, bounds this process, answers. Returns the exit code."""
    from workers.geometry.compiled import compile_all

    out = _private_output()
    request = json.loads(sys.stdin.buffer.readline())
    limits = from_plain(request["limits"], MeshLimits)
    compile_all()  # first, so that no limit of a mesh bears it
    _bound(limits)
    try:
        _answer(out, _analysed(request, limits, out))
    except InvalidError as refusal:
        _answer(out, {"refused": {"slug": refusal.slug, "detail": refusal.detail}})
    except BaseException as problem:
        if not _is_memory(problem):
            raise
        _answer(out, {"refused": {"slug": MeshMemoryError.slug, "detail": memory_detail(limits)}})
    return 0


def memory_detail(limits: MeshLimits) -> str:
    """The sentence for a mesh that ran out of memory."""
    return f"The analysis needs more than {limits.memory_bytes / MIB:,.0f} MiB of memory, the limit."


def _private_output() -> BinaryIO:
    """Standard output for this module alone: what libraries print goes to standard error."""
    own = os.dup(1)
    os.dup2(2, 1)
    return os.fdopen(own, "wb", buffering=0)


def _bound(limits: MeshLimits) -> None:
    """Memory, processor time and real time of this process; and it ends when its parent does."""
    resource.setrlimit(resource.RLIMIT_AS, (limits.memory_bytes, limits.memory_bytes))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    cpu = int(2 * limits.seconds) + _GRACE_S  # two threads
    resource.setrlimit(resource.RLIMIT_CPU, (cpu, cpu))
    signal.setitimer(signal.ITIMER_REAL, limits.seconds + _GRACE_S)
    die_with_parent()


def die_with_parent() -> None:
    """Have the kernel kill this process when the one that started it ends."""
    if sys.platform == "linux":
        import ctypes

        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


def _analysed(request: dict[str, Any], limits: MeshLimits, out: BinaryIO) -> dict[str, Any]:
    from workers.geometry.summary import summarise, summarise_poses

    def progress(phase: str, percent: float) -> None:
        _answer(out, {"progress": [phase, percent]})

    progress("load", 0.0)
    data = sys.stdin.buffer.read()
    look = _Look()
    options = {"fmt": request["fmt"], "unit": request["unit"], "limits": limits, "progress": progress}
    options["seen"] = look if request["display"] else None
    if request["poses"]:
        pairs = summarise_poses(data, most=request["poses"], **options)
        return {"poses": [[to_plain(pose), to_plain(summary)] for pose, summary in pairs], "display": look.text}
    return {"summary": to_plain(summarise(data, **options)), "display": look.text}


class _Look:
    """Keeps what the part looks like; a part that cannot be drawn within the bounds is measured all the same."""

    text = ""

    def __call__(self, solid: Solid) -> None:
        from workers.geometry.display import display_stl

        try:
            self.text = b64encode(display_stl(solid)).decode("ascii")
        except (MemoryError, RuntimeError, ValueError, IndexError, OSError) as problem:
            print(f"the part is not drawn: {type(problem).__name__}", file=sys.stderr)


def _is_memory(problem: BaseException) -> bool:
    """Out of memory, in any of the ways libraries say so."""
    text = f"{type(problem).__name__} {problem}".lower()
    words = ("memory", "bad_alloc", "bad alloc", "start new thread", "failed to map segment")
    return isinstance(problem, MemoryError) or any(word in text for word in words)


def _answer(out: BinaryIO, message: dict[str, Any]) -> None:
    line = memoryview(to_json(message) + b"\n")
    while line:
        line = line[out.write(line) :]


if __name__ == "__main__":
    sys.exit(main())
