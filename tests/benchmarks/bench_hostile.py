"""A thousand mutated meshes handed in over HTTP to the real processes of `borewright up`: each has to be answered.

Run: python -m tests.benchmarks.bench_hostile [FILES]
Eight kinds of file in turn, seven mutations, seeded (tests/geometry/test_fuzz.py). It fails where a file is left
without an answer, the geometry worker has died, or an analysis broke off; it prints the answers and what they took.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.geometry.test_fuzz import ORIGINALS, declared, mutated
from tests.service.customers import opened
from tests.service.processes import running
from tests.service.test_parts_end_to_end import Shop

FILES = 1_000
WORKER = "geometry-worker-1"
LONGEST_S = 120.0  # an analysis may take 60 s by default; more is a hang
CRASHED = "urn:borewright:problem:mesh-crashed"


def main(files: int) -> int:
    """Returns the exit code."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        command = [sys.executable, "-m", "service.cli", "up", "--data", str(folder / "data"), "--port", "0"]
        with running(command, folder / "log", BOREWRIGHT_REDIS_URL="") as up:
            port = int(up.wait_for_log(r"http://127\.0\.0\.1:(\d+)")[-1])
            shop = Shop(up, port, opened(f"unix://{next((folder / 'data').rglob('*.sock'))}"))
            worker = up.pid_of(WORKER)
            begun, used = time.monotonic(), _cpu_s(worker)
            answers = Counter(_answer(shop, number) for number in range(files))
            took, lived = time.monotonic() - begun, up.pid_of(WORKER) == worker
            print(f"{files} files, {took:.0f} s, {1e3 * took / files:.0f} ms each; the worker itself used ", end="")
            print(f"{_cpu_s(worker) - used:.1f} s of CPU and {'lived on' if lived else 'DIED'}")
    for answer, count in answers.most_common():
        print(f"{count:6,}  {answer}")
    return int(not lived or bool(answers[CRASHED]) or bool(answers["no answer"]))


def _answer(shop: Shop, number: int) -> str:
    """How one file is answered: summarised (with the trust), or the type of the problem."""
    kind = list(ORIGINALS)[number % len(ORIGINALS)]
    data = mutated(kind, number // len(ORIGINALS))
    status, part = shop.upload("/v1/parts", data, unit="mm", format=declared(kind))
    if status not in (200, 202):
        return f"refused at once, {status}"
    until = time.monotonic() + LONGEST_S
    while time.monotonic() < until:
        part = shop.get(f"/v1/parts/{part['id']}")
        if part["state"] == "analysed":
            return f"a summary, trust {part['summary']['trust']}"
        if part["state"] == "refused":
            return str(part["problem"]["type"])
        time.sleep(0.02)
    return "no answer"


def _cpu_s(pid: int) -> float:
    """Seconds of CPU that a process has used, its children left out."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / 100


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else FILES))
