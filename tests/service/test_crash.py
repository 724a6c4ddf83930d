"""Kill -9 under load, on the real processes: what was acknowledged is there, and routed once."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.benchmarks.kill_rounds import run
from tests.service.customers import Customers, opened, require_each_routed_once, stock
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


def kill_and_await_the_next(up: Running, child: str) -> None:
    before = up.pid_of(child)
    os.kill(before, signal.SIGKILL)
    wait_until(lambda: up.pid_of(child) != before, f"a new {child}")


def await_more(customers: Customers, count: int) -> None:
    seen = len(customers.acknowledged)
    wait_until(lambda: len(customers.acknowledged) >= seen + count, f"{count} more jobs acknowledged")


def test_a_worker_killed_in_mid_batch_loses_nothing(service: tuple[Running, int, str]) -> None:
    up, port, url = service
    stores = opened(url)

    def in_hand() -> int:
        return int(stores.client.xpending(stores.keys.inbox, "routers")["pending"])

    with Customers(port, batch=400) as customers:
        for child in ("routing-worker-1", "routing-worker-2") * 2:
            wait_until(in_hand, "a batch in hand")
            kill_and_await_the_next(up, child)

    assert len(customers.acknowledged) > 400
    require_each_routed_once(stores, customers.acknowledged)
    assert up.stop() == 0


def test_a_redis_killed_under_load_forgets_nothing_it_acknowledged(service: tuple[Running, int, str]) -> None:
    up, port, url = service
    with Customers(port) as customers:
        for _ in range(3):
            await_more(customers, 50)
            kill_and_await_the_next(up, "redis")
        await_more(customers, 1)

    require_each_routed_once(opened(url), customers.acknowledged)
    assert up.stop() == 0


def test_rounds_of_random_kills(tmp_path: Path) -> None:
    """A few of what `python -m tests.benchmarks.kill_rounds` makes fifty of; DEVELOPERS.md has that figure."""
    tally = run(tmp_path, rounds=5, seed=SEED)
    assert (tally.lost, tally.not_routed_once, tally.not_bound_once, tally.made_twice) == (0, 0, 0, 0)
    assert tally.acknowledged > 100
    assert sum(tally.kills.values()) >= 5
