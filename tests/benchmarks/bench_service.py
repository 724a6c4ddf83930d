"""The service under load, each figure beside its baseline, in one run on one machine.

Run: python -m tests.benchmarks.bench_service
- routing queries against a bare Flask endpoint that returns the same bytes under the same server;
- intake to routed, one job at a time;
- a batch of 5,000 jobs to all routed, against as many no-op RQ tasks with as many workers.
"""

from __future__ import annotations

import http.client
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import redis
from rq import Queue
from rq.serializers import JSONSerializer

from service.demo import Client, load_shop
from tests.benchmarks.bench_scoring import MATERIALS, big_shop, jobs
from tests.benchmarks.load import Measured, request_bytes, run_load
from tests.service.processes import running, wait_until
from workers.model.codec import to_plain
from workers.model.job import JobSpec
from workers.model.shop import PLURALS
from workers.store.stores import Stores, open_stores

SECONDS = 8.0
ROUNDS = 3
CONNECTIONS = (4, 16)  # callers at a time
WORKERS = 2
SINGLE_JOBS = 200
BATCH = 5_000
NO_OPS = 1_500
MARK = b"################"  # overwritten with a number of its own in each query
DEMO_MATERIALS = ("pla", "petg", "pa6-cf20")


def body_of(spec: JobSpec, materials: Sequence[str] = MATERIALS) -> bytes:
    """The job as a program would post it."""
    plain = to_plain(spec)
    summary: Any = plain["summary"]
    slim = {name: value for name, value in summary.items() if value not in (None, [], {})}
    slim.pop("smallest", None)
    tolerances = [{k: v for k, v in one.items() if v is not None} for one in plain["tolerances"]]  # type: ignore[attr-defined]
    return json.dumps(
        {"name": spec.name, "summary": slim, "material": {"material_ids": materials}, "tolerances": tolerances}
    ).encode()


@contextmanager
def service(folder: Path) -> Iterator[tuple[int, Stores]]:
    folder.mkdir()
    command = [sys.executable, "-m", "service.cli", "up", "--data", str(folder), "--port", "0"]
    with running([*command, "--workers", str(WORKERS)], folder / "log", BOREWRIGHT_REDIS_URL="") as up:
        port = int(up.wait_for_log(r"http://127\.0\.0\.1:(\d+)")[-1])
        stores = open_stores(redis.Redis.from_url(f"unix://{next(folder.rglob('*.sock'))}"))
        yield port, stores
        up.stop()


def stock_with_big_shop(stores: Stores) -> None:
    shop = big_shop()
    for plural in PLURALS.values():
        for thing in getattr(shop, plural):
            stores.fleet.create(thing)


def post(port: int, path: str, body: bytes) -> tuple[int, bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    connection.request("POST", path, body, {"Content-Type": "application/json"})
    answer = connection.getresponse()
    return answer.status, answer.read()


def queries(
    folder: Path, port: int, connections: int, seconds: float = SECONDS, rounds: int = ROUNDS
) -> dict[str, float]:
    """Alternate rounds against ours (the same query, ever new queries) and the bare endpoint; the best of each."""
    bodies = [body_of(replace(spec, name=MARK.decode())) for spec in jobs(1_000, seed=7)]
    _, answer = post(port, "/v1/routing-queries", bodies[0])
    (folder / "answer.json").write_bytes(answer)
    same = [request_bytes("POST", "/v1/routing-queries", bodies[0])]
    fresh = [request_bytes("POST", "/v1/routing-queries", body) for body in bodies]
    command = [sys.executable, "-m", "gunicorn", "-c", "python:service.gunicorn_conf", "tests.benchmarks.bare:app"]
    bare_port = port + 1
    with running(command, folder / "bare.log", BARE_BODY=str(folder / "answer.json"), BOREWRIGHT_PORT=str(bare_port)):
        wait_until(lambda: _answers(bare_port), "the bare server")
        best: dict[str, Measured] = {}
        for _ in range(rounds):
            for name, at, load, mark in (
                ("bare", bare_port, same, b""),
                ("same", port, same, b""),
                ("new", port, fresh, MARK),
            ):
                found = run_load(at, load, seconds, connections, mark)
                if name not in best or found.rate > best[name].rate:
                    best[name] = found
    bare = best["bare"].rate
    print(f"\nrouting queries, 1,440 candidates, {len(answer)} bytes answered, {connections} callers at a time")
    print(f"  best of {rounds} x {seconds:g} s")
    print(f"  bare Flask endpoint, the same bytes   {bare:7.0f} requests/s")
    for name, words in (("same", "the same query again"), ("new", "ever new queries")):
        print(f"  {words:36}  {best[name].rate:7.0f} requests/s   ratio {best[name].rate / bare:.2f}   (bar 0.5)")
    return {name: one.rate for name, one in best.items()}


def _answers(port: int) -> bool:
    try:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=2)
        connection.request("GET", "/healthz")
        return connection.getresponse().status == 200
    except OSError:
        return False


def single(port: int, stores: Stores) -> tuple[float, float]:
    """From the first byte of the request to the routed state in the store, one at a time. Gives median and p99, ms."""
    taken = []
    for spec in jobs(SINGLE_JOBS, seed=11):
        body = body_of(spec, DEMO_MATERIALS)
        started = time.perf_counter()
        status, answer = post(port, "/v1/jobs", body)
        assert status == 202, answer
        job_id = json.loads(answer)["id"]
        while stores.client.hget(stores.keys.job(job_id), "state") == b"accepted":
            time.sleep(0.0005)
        taken.append((time.perf_counter() - started) * 1000.0)
    taken.sort()
    print(f"\nintake to routed, one at a time, {SINGLE_JOBS} jobs")
    median, p99 = taken[len(taken) // 2], taken[int(len(taken) * 0.99)]
    print(f"  median {median:.1f} ms (bar 30)   p99 {p99:.1f} ms (bar 150)")
    return median, p99


def batch(port: int, stores: Stores, materials: Sequence[str]) -> float:
    items = b",".join(body_of(spec, materials) for spec in jobs(BATCH, seed=13))
    started = time.perf_counter()
    status, answer = post(port, "/v1/job-batches", b'{"jobs":[' + items + b"]}")
    acknowledged = time.perf_counter() - started
    assert status == 202, answer[:500]
    while stores.inbox.waiting():
        time.sleep(0.005)
    taken = time.perf_counter() - started
    print(f"  acknowledged after {acknowledged:.2f} s, all routed after {taken:.2f} s: {BATCH / taken:.0f} jobs/s")
    return BATCH / taken


def no_ops(stores: Stores) -> float:
    """No-op RQ tasks on the same queue, worked off by the same workers."""
    queue = Queue("routing", connection=stores.client, serializer=JSONSerializer)
    prepared = [Queue.prepare_data("time.time", result_ttl=0) for _ in range(NO_OPS)]
    queue.enqueue_many(prepared)
    first, started = len(queue), time.perf_counter()
    while len(queue):
        time.sleep(0.005)
    rate = first / (time.perf_counter() - started)
    print(f"  RQ no-op tasks, {WORKERS} workers: {rate:.0f} tasks/s")
    return rate


def batches(
    words: str, port: int, stores: Stores, materials: Sequence[str], rounds: int = ROUNDS
) -> tuple[float, float]:
    """Jobs and no-op tasks a second, the best of each."""
    print(f"\nbatches of {BATCH} jobs, {WORKERS} workers, {words}")
    rates = [(batch(port, stores, materials), no_ops(stores)) for _ in range(rounds)]
    best_batch, best_no_op = (max(column) for column in zip(*rates, strict=True))
    print(f"  best of {rounds} each: ratio {best_batch / best_no_op:.1f}   (bar 10)")
    return best_batch, best_no_op


def main() -> None:
    """All, or with the word ``queries`` only those."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = Path(name)
        if sys.argv[1:] == ["queries"]:
            with service(folder / "twenty") as (port, stores):
                stock_with_big_shop(stores)
                for connections in CONNECTIONS:
                    queries(folder, port, connections)
            return
        with service(folder / "nine") as (port, stores):
            load_shop(Client("127.0.0.1", port), time.time())
            single(port, stores)
            batches("the demo's nine machines", port, stores, DEMO_MATERIALS)
        with service(folder / "twenty") as (port, stores):
            stock_with_big_shop(stores)
            batches("twenty machines, 1,440 candidates a job", port, stores, MATERIALS)
            for connections in CONNECTIONS:
                queries(folder, port, connections)


if __name__ == "__main__":
    main()
