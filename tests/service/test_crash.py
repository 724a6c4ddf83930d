"""Kill -9 under load, on the real processes: what was acknowledged is there, and routed once."""

from __future__ import annotations

import os
import random
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.service.customers import Customers, call, opened, require_each_routed_once, stock
from tests.service.processes import Running, running, wait_until

SEED = 20


@pytest.fixture
def service(tmp_path: Path) -> Iterator[tuple[Running, int, str]]:
    """`borewright up` in a folder of its own: the process, its port, the URL of its Redis."""
    command = [sys.executable, "-m", "service.cli", "up", "--data", str(tmp_path / "data"), "--port", "0"]
    with running(command, tmp_path / "log", BOREWRIGHT_REDIS_URL="") as up:
        port = int(up.wait_for_log(r"http://127\.0\.0\.1:(\d+)")[-1])
        stock(port)
        yield up, port, f"unix://{next((tmp_path / 'data').rglob('*.sock'))}"


def kill(pid: int) -> None:
    os.kill(pid, signal.SIGKILL)


def test_a_worker_killed_in_mid_batch_loses_nothing(service: tuple[Running, int, str]) -> None:
    up, port, url = service
    stores = opened(url)
    customers = Customers(port, batch=400)
    customers.start()
    killed = 0
    while killed < 4:
        wait_until(lambda: stores.client.xpending(stores.keys.inbox, "routers")["pending"] > 0, "a batch in hand")
        name = f"routing-{killed % 2 + 1}"
        before = up.pid_of(name)
        kill(before)
        wait_until(lambda name=name, before=before: up.pid_of(name) != before, "a new worker")
        killed += 1
    customers.stop()

    assert len(customers.acknowledged) > 400
    require_each_routed_once(stores, customers.acknowledged)
    assert up.stop() == 0


def test_a_redis_killed_under_load_forgets_nothing_it_acknowledged(service: tuple[Running, int, str]) -> None:
    up, port, url = service
    customers = Customers(port)
    customers.start()
    for _ in range(3):
        seen = len(customers.acknowledged)
        wait_until(lambda seen=seen: len(customers.acknowledged) > seen + 50, "jobs acknowledged")
        before = up.pid_of("redis")
        kill(before)
        wait_until(lambda before=before: up.pid_of("redis") != before, "a new Redis")
    wait_until(lambda: call(port, "GET", "/readyz")[0] == 200, "a ready service")
    customers.stop()

    require_each_routed_once(opened(url), customers.acknowledged)
    assert up.stop() == 0


def test_random_kills_of_any_process(service: tuple[Running, int, str]) -> None:
    up, port, url = service
    rng = random.Random(SEED)
    customers = Customers(port)
    customers.start()
    for _ in range(6):
        time.sleep(rng.uniform(0.1, 0.6))
        name = rng.choice(["redis", "routing-1", "routing-2", "api"])
        before = up.pid_of(name)
        kill(before)
        wait_until(lambda name=name, before=before: up.pid_of(name) != before, f"a new {name}")
    seen = len(customers.acknowledged)
    wait_until(lambda: len(customers.acknowledged) > seen, "jobs acknowledged after the last kill")
    customers.stop()

    require_each_routed_once(opened(url), customers.acknowledged)
    assert up.stop() == 0
