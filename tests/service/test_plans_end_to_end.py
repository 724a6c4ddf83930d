"""Plans through the real processes of `borewright up`: done, applied, cancelled, and carried on after a kill."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.service import api_bodies as bodies
from tests.service.customers import call, opened, stock
from tests.service.processes import Running, is_alive, running, wait_until
from workers.store.stores import Stores

WORKER = "planning-worker-1"
JOBS = 14  # too many to go through all orders: a search runs until its time is up
LONG = {"seconds": 600}


@dataclass
class Shop:
    up: Running
    port: int
    stores: Stores

    def get(self, path: str) -> Any:
        return call(self.port, "GET", path)[1]

    def post(self, path: str, body: Any = None, status: int = 200) -> Any:
        found, answer = call(self.port, "POST", path, {} if body is None else body)
        assert found == status, answer
        return answer

    def planned(self, **body: Any) -> str:
        return str(self.post("/v1/plans", body, 202)["location"])

    def await_state(self, path: str, *states: str) -> dict[str, Any]:
        seen: dict[str, Any] = {}

        def is_there() -> bool:
            seen.update(self.get(path) or {})
            return seen.get("state") in states

        wait_until(is_there, f"{path} in {states}")
        return seen

    def await_search(self, path: str, attempt: int = 1) -> dict[str, Any]:
        """Until the search has told its first figures."""
        seen: dict[str, Any] = {}

        def has_begun() -> bool:
            seen.update(self.get(path) or {})
            return bool(seen.get("attempt") == attempt and seen.get("best_cost"))

        wait_until(has_begun, f"the search of {path}")
        return seen

    def told(self, subject: str) -> Counter[str]:
        return Counter(event.kind for event in self.stores.events.after("0", 100_000) if event.subject == subject)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    """Jobs wait on one machine; then a second one comes."""
    folder = tmp_path_factory.mktemp("up")
    command = [sys.executable, "-m", "service.cli", "up", "--data", str(folder / "data"), "--port", "0"]
    with running(command, folder / "log", BOREWRIGHT_REDIS_URL="") as up:
        port = int(up.wait_for_log(r"http://127\.0\.0\.1:(\d+)")[-1])
        stock(port)
        one = Shop(up, port, opened(f"unix://{next((folder / 'data').rglob('*.sock'))}"))
        for number in range(JOBS):
            summary = bodies.summary(volume_mm3=5000 + 600 * number)
            one.post("/v1/jobs", bodies.job(name=f"guide {number}", summary=summary), 202)
        wait_until(lambda: len(one.get("/v1/jobs?state=bound")["items"]) == JOBS, "all jobs bound")
        one.post("/v1/machines", bodies.machine(id="birch", name="Birch"), 201)
        one.post("/v1/nozzles", bodies.nozzle(id="n-040-2", machine_id="birch", slot=1), 201)
        yield one
        assert up.stop() == 0


def kill(shop: Shop) -> set[int]:
    """Kill the worker that plans; gives what it had started."""
    worker = shop.up.pid_of(WORKER)
    started = {int(pid) for pid in Path(f"/proc/{worker}/task/{worker}/children").read_text().split()}
    os.kill(worker, signal.SIGKILL)
    wait_until(lambda: shop.up.pid_of(WORKER) != worker, f"a new {WORKER}")
    return started


def test_a_plan_that_is_cancelled_keeps_the_best_so_far_and_jobs_are_routed_meanwhile(shop: Shop) -> None:
    path = shop.planned(**LONG)
    running = shop.await_search(path)
    assert (running["state"], running["result"]) == ("running", None)
    assert 0.0 <= running["bound"] <= running["best_cost"]
    made = shop.post("/v1/jobs", bodies.job(name="meanwhile"), 202)
    wait_until(lambda: shop.get(f"/v1/jobs/{made['id']}")["state"] == "bound", "a job routed beside the plan")
    assert shop.get(path)["state"] == "running"
    assert shop.post(f"{path}/cancellation")["state"] in {"running", "cancelled"}
    plan = shop.await_state(path, "cancelled")
    assert plan["result"]["jobs"] == JOBS
    assert plan["result"]["comparison"]["planned"]["cost"] < plan["result"]["comparison"]["today"]["cost"]
    refused = shop.post(f"{path}/apply", status=409)  # the job that came meanwhile
    assert refused["type"].endswith("plan-stale")
    assert made["id"] in refused["detail"]


def test_from_asking_to_the_lists(shop: Shop) -> None:
    path = shop.planned(seconds=2)
    plan = shop.await_state(path, "done")
    applied = shop.post(f"{path}/apply")
    for machine in plan["result"]["machines"]:
        entries = shop.get(f"/v1/machines/{machine['machine_id']}/dispatch-list")["entries"]
        assert [one["job_id"] for one in entries] == [run["job_id"] for run in machine["runs"]]
    moved = [run["job_id"] for machine in plan["result"]["machines"] for run in machine["runs"] if run["moved"]]
    assert len(moved) >= JOBS // 3
    assert applied["applied_at"]
    assert all(shop.told(f"job/{job_id}")["job.moved"] == 1 for job_id in moved)


def test_a_worker_killed_while_it_plans_is_followed_by_another_attempt(shop: Shop) -> None:
    path = shop.planned(**LONG)
    shop.await_search(path)
    time.sleep(1.0)  # its second search has begun by now
    started = kill(shop)
    again = shop.await_search(path, attempt=2)
    assert again["state"] == "running"
    wait_until(lambda: not any(map(is_alive, started)), "the end of what the dead worker had started")
    shop.post(f"{path}/cancellation")
    plan = shop.await_state(path, "cancelled", "done")
    assert (plan["attempt"], plan["result"]["jobs"]) == (2, JOBS + 1)
