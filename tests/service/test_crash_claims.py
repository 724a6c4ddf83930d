"""Kill -9 of any process while claims and moves go on: one list, one claimant, no copy lost, none ended twice."""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.service import api_bodies as bodies
from tests.service.agents import (
    Agents,
    bring_up,
    print_what_is_left,
    require_each_copy_once,
    require_sound_lists,
    stock,
)
from tests.service.customers import call, opened
from tests.service.processes import Running, running, wait_until
from tests.service.test_crash import kill_and_await_the_next
from workers.store.stores import Stores

JOBS, COPIES = 24, 2
SEED = 5


@pytest.fixture
def floor(tmp_path: Path) -> Iterator[tuple[Running, int, Stores, list[str]]]:
    """The service on real processes, with jobs on its lists."""
    command = [sys.executable, "-m", "service.cli", "up", "--data", str(tmp_path / "data"), "--port", "0"]
    with running(command, tmp_path / "log", BOREWRIGHT_REDIS_URL="") as up:
        port = int(up.wait_for_log(r"http://127\.0\.0\.1:(\d+)")[-1])
        stock(port)
        jobs = [bodies.job(name=f"job {i}", quantity=COPIES) for i in range(JOBS)]
        status, answer = call(port, "POST", "/v1/job-batches", {"jobs": jobs})
        assert status == 202, answer
        stores = opened(f"unix://{next((tmp_path / 'data').rglob('*.sock'))}")
        wait_until(lambda: stores.jobs.counts()["bound"] == JOBS, "every job bound")
        yield up, port, stores, [row["id"] for row in answer["items"]]


def test_kills_of_any_process_while_claims_and_moves_go_on(floor: tuple[Running, int, Stores, list[str]]) -> None:
    up, port, stores, job_ids = floor
    rng = random.Random(SEED)
    with Agents(port, SEED) as agents:
        for child in ("redis", "api", "routing-worker-1", "redis"):
            time.sleep(rng.uniform(0.2, 0.6))
            kill_and_await_the_next(up, child)
        done = agents.finished.total()
        wait_until(lambda: agents.finished.total() > min(done, JOBS * COPIES - 1), "more copies after the last kill")

    bring_up(stores)
    require_sound_lists(stores, job_ids)
    print_what_is_left(stores)
    require_sound_lists(stores, job_ids)
    require_each_copy_once(stores, job_ids, COPIES)
    assert max(agents.finished.values()) == 1
    assert agents.moves > 0
    assert agents.states > 0
    assert agents.answers[0] + agents.answers[503] + agents.answers[500] > 0  # the kills were felt
    assert up.stop() == 0
