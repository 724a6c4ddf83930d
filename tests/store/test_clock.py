"""A store whose clock was put back: what waits for a moment does not wait for so much longer. On a real Redis."""

from __future__ import annotations

import pytest
import redis

from tests.builders import job
from workers.store.stores import Stores, open_stores

DAY_MS = 86_400_000


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    opened = open_stores(redis_client)
    opened.inbox.prepare()
    return opened


def now_ms(stores: Stores) -> int:
    seconds, micros = stores.client.time()
    return int(seconds * 1000 + micros // 1000)


def put_back(stores: Stores) -> float:
    """As if the store had shown tomorrow until now."""
    stores.client.set(stores.keys.clock_seen, now_ms(stores) + DAY_MS)
    return stores.clock.look()


def test_a_clock_that_goes_on_is_let_be(stores: Stores) -> None:
    assert stores.clock.look() == 0
    stores.client.set(stores.keys.lock("x"), "1", px=60_000)
    assert stores.clock.look() == 0
    stores.client.set(stores.keys.clock_seen, now_ms(stores) - DAY_MS)  # put forward, or nobody looked for a day
    assert stores.clock.look() == 0
    assert stores.client.pttl(stores.keys.lock("x")) > 50_000


def test_how_far_it_went_back_is_said_once(stores: Stores) -> None:
    assert put_back(stores) == pytest.approx(86_400, abs=5)
    assert stores.clock.look() == 0


def test_what_waits_can_be_claimed_at_once(stores: Stores) -> None:
    tomorrow = now_ms(stores) / 1000 + DAY_MS / 1000
    stores.client.zadd(stores.keys.parts_waiting, {"p-1": tomorrow - 5, "p-2": tomorrow + 30})
    stores.client.zadd(stores.keys.long_tasks_open, {"plan/1": tomorrow - 5})
    assert stores.analyses.claimable() == stores.long_tasks.claimable() == 0
    put_back(stores)
    assert (stores.analyses.claimable(), stores.long_tasks.claimable()) == (1, 1)
    left = stores.client.zscore(stores.keys.parts_waiting, "p-2") - now_ms(stores) / 1000
    assert 20 < left <= 30  # what is in hand stays so for as long as it was


def test_a_lease_keeps_the_time_it_had_left(stores: Stores) -> None:
    end = now_ms(stores) + DAY_MS + 40_000
    stores.client.zadd(stores.keys.leases, {"c-1": end})
    stores.client.hset(stores.keys.claim("c-1"), "expires_ms", end)
    put_back(stores)
    left = stores.client.zscore(stores.keys.leases, "c-1") - now_ms(stores)
    assert 30_000 < left <= 40_000
    assert int(stores.client.hget(stores.keys.claim("c-1"), "expires_ms")) == int(
        stores.client.zscore(stores.keys.leases, "c-1")
    )


def test_locks_and_bells_lapse_when_they_would_have(stores: Stores) -> None:
    for name in (stores.keys.lock("reconcile"), stores.keys.bell, stores.keys.geometry_bell):
        stores.client.set(name, "1", px=DAY_MS + 5_000)
    put_back(stores)
    for name in (stores.keys.lock("reconcile"), stores.keys.bell, stores.keys.geometry_bell):
        assert stores.client.pttl(name) <= 5_000


def test_what_a_dead_worker_held_is_taken_over_as_ever(redis_client: redis.Redis) -> None:
    stores = open_stores(redis_client, reclaim_after_s=0.05)
    stores.inbox.prepare()
    stores.jobs.accept([job()])
    [entry] = stores.inbox.take("dead", 10)
    group, name = "routers", stores.keys.inbox
    redis_client.execute_command("XCLAIM", name, group, "dead", 0, entry.entry_id, "TIME", now_ms(stores) + DAY_MS)
    assert stores.inbox.take("alive", 10) == []  # by the old time it was taken only tomorrow
    put_back(stores)
    redis_client.execute_command("CLIENT", "PAUSE", 100)  # longer than it takes to be missed
    assert [one.job_id for one in stores.inbox.take("alive", 10)] == [entry.job_id]


def test_without_an_inbox_there_is_nothing_to_trip_over(redis_client: redis.Redis) -> None:
    assert put_back(open_stores(redis_client)) > 0
