"""Routed jobs a second from one to four workers, and what a job costs the API, the workers and Redis.

Run: python -m tests.benchmarks.bench_scaling
The rate is bound by the cores of this machine, which all share; the CPU time a job is not, and gives the ceiling on
more hosts. Redis answers with one thread: its CPU time a job is the ceiling of one Redis.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import redis

from service.demo import Client, load_shop
from tests.benchmarks.bench_scoring import jobs
from tests.benchmarks.bench_service import DEMO_MATERIALS, body_of, post
from tests.benchmarks.kill_rounds import children_of
from tests.service.processes import Running, running, wait_until
from workers.store.stores import Stores, open_stores

BATCH = 2_000
WARM_UP = 200
TICKS_S = 1.0 / os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True)
class Scaling:
    """One batch. cpu_ms: milliseconds of CPU a job until it is routed, by part; bound_ms: of the workers until it has
    its place on a list too, with few on the lists; commands: of Redis a job, most frequent first."""

    workers: int
    jobs_s: float
    cpu_ms: dict[str, float]
    bound_ms: float
    commands: dict[str, float]
    bytes_in: float
    bytes_out: float
    bytes_kept: float

    def ceiling(self, part: str) -> float:
        """Jobs a second that one core of this part could carry."""
        return 1000.0 / self.cpu_ms[part]


def cpu_s(pids: list[int]) -> float:
    """User and system time (proc(5), stat, fields 14 and 15)."""
    found = 0.0
    for pid in pids:
        with suppress(FileNotFoundError):
            fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
            found += (int(fields[11]) + int(fields[12])) * TICKS_S
    return found


def parts_of(up: Running, workers: int) -> dict[str, list[int]]:
    api = up.pid_of("api")
    return {
        "API": [api, *children_of(api)],
        "workers": [up.pid_of(f"routing-worker-{number}") for number in range(1, workers + 1)],
        "Redis": [up.pid_of("redis")],
    }


def measure(folder: Path, workers: int, batch: int = BATCH) -> Scaling:
    """Warm up with a small batch, then hand in one and wait until all of it is bound."""
    folder.mkdir()
    command = [sys.executable, "-m", "service.cli", "up", "--data", str(folder), "--port", "0"]
    with running([*command, "--workers", str(workers)], folder / "log", BOREWRIGHT_REDIS_URL="") as up:
        port = int(up.wait_for_log(r"http://127\.0\.0\.1:(\d+)")[-1])
        stores = open_stores(redis.Redis.from_url(f"unix://{next(folder.rglob('*.sock'))}"))
        load_shop(Client("127.0.0.1", port), time.time())
        hand_in(port, stores, 16)
        await_bound(stores)
        before = cpu_s(parts_of(up, workers)["workers"])
        hand_in(port, stores, WARM_UP)
        await_bound(stores)
        bound = cpu_s(parts_of(up, workers)["workers"]) - before
        return measured(up, port, stores, workers, batch, bound * 1000.0 / WARM_UP)


def await_bound(stores: Stores) -> None:
    wait_until(lambda: not stores.inbox.waiting() and not stores.dispatch.to_bind(1), "every job bound")


def measured(up: Running, port: int, stores: Stores, workers: int, batch: int, bound_ms: float) -> Scaling:
    parts, log = parts_of(up, workers), next(Path(f"/proc/{up.pid_of('redis')}/cwd").rglob("*.aof*"))
    stores.client.config_resetstat()
    before, kept = {name: cpu_s(pids) for name, pids in parts.items()}, log.stat().st_size
    taken = hand_in(port, stores, batch)
    info: Any = stores.client.info()
    stats: Any = stores.client.info("commandstats")
    calls = Counter({name.removeprefix("cmdstat_"): int(one["calls"]) for name, one in stats.items()})
    return Scaling(
        workers=workers,
        jobs_s=batch / taken,
        cpu_ms={name: (cpu_s(pids) - before[name]) * 1000.0 / batch for name, pids in parts.items()},
        bound_ms=bound_ms,
        commands={name: count / batch for name, count in calls.most_common()},
        bytes_in=int(info["total_net_input_bytes"]) / batch,
        bytes_out=int(info["total_net_output_bytes"]) / batch,
        bytes_kept=(log.stat().st_size - kept) / batch,
    )


def hand_in(port: int, stores: Stores, count: int) -> float:
    """Seconds from the request to the last of its jobs routed."""
    items = b",".join(body_of(spec, DEMO_MATERIALS) for spec in jobs(count, seed=13))
    started = time.perf_counter()
    status, answer = post(port, "/v1/job-batches", b'{"jobs":[' + items + b"]}")
    assert status == 202, answer[:500]
    wait_until(lambda: not stores.inbox.waiting(), "every job routed")
    return time.perf_counter() - started


def main() -> None:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        found = [measure(Path(name) / str(workers), workers) for workers in (1, 2, 3, 4)]
    print(f"batches of {BATCH} jobs, nine machines, from the request to all routed; {os.cpu_count()} cores for all")
    for one in found:
        costs = ", ".join(f"{part} {ms:.2f}" for part, ms in one.cpu_ms.items())
        print(f"  {one.workers} workers: {one.jobs_s:5.0f} jobs/s; CPU ms a job: {costs}; bound too {one.bound_ms:.2f}")
    last = found[0]
    print("what one core of each part could carry, by its CPU time a job (one worker, no contention):")
    print("  " + ", ".join(f"{part} {last.ceiling(part):.0f} jobs/s" for part in last.cpu_ms))
    print(f"Redis a job: {sum(last.commands.values()):.1f} commands, inside scripts and MULTI counted;", end=" ")
    print(f"{last.bytes_in:.0f} bytes in, {last.bytes_out:.0f} out, {last.bytes_kept:.0f} to its log")
    print("  " + ", ".join(f"{name} {count:.2f}" for name, count in list(last.commands.items())[:12]))


if __name__ == "__main__":
    main()
