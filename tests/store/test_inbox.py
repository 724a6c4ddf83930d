"""The inbox on a real Redis: every job is committed exactly once, whoever dies."""

from __future__ import annotations

import threading
from collections import Counter

import pytest
import redis

from tests.builders import job, shop
from workers.model.job import JobState
from workers.routing.decide import Router
from workers.store.inbox import Result
from workers.store.stores import Stores, open_stores
from workers.tasks import routing


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    opened = open_stores(redis_client, reclaim_after_s=0.05)
    opened.inbox.prepare()
    return opened


def routed(stores: Stores, consumer: str, count: int = 10) -> list[Result]:
    routing = Router(shop()).route([job()])[0]
    return [Result(entry, JobState.ROUTED, routing) for entry in stores.inbox.take(consumer, count)]


def test_a_committed_job_is_routed_and_its_entry_gone(stores: Stores) -> None:
    (job_id,) = stores.jobs.accept([job()])

    assert stores.inbox.commit(routed(stores, "a")) == 1

    record = stores.jobs.get(job_id)
    assert (record.state, record.version) == (JobState.ROUTED, 2)
    assert stores.jobs.routing(job_id) == Router(shop()).route([job()])[0]
    assert stores.inbox.waiting() == 0
    assert [e.kind for e in stores.events.history(f"job/{job_id}")] == ["job.accepted", "job.routed"]


def test_what_a_dead_worker_took_is_taken_over_and_committed_once(stores: Stores) -> None:
    stores.jobs.accept([job("a"), job("b")])
    slow = routed(stores, "slow")
    threading.Event().wait(0.1)  # longer than reclaim_after_s

    taken_over = routed(stores, "quick")

    assert {r.entry.job_id for r in taken_over} == {r.entry.job_id for r in slow}
    assert stores.inbox.commit(taken_over) == 2
    assert stores.inbox.commit(slow) == 0  # the slow one wakes up too late
    kinds = Counter(event.kind for event in stores.events.after("0"))
    assert kinds == {"job.accepted": 2, "job.routed": 2}


def test_a_restarted_worker_finds_its_own_share_at_once(redis_client: redis.Redis) -> None:
    patient = open_stores(redis_client, reclaim_after_s=3600)
    patient.inbox.prepare()
    patient.jobs.accept([job()])
    before = patient.inbox.take("host.routing-1", 10)

    assert patient.inbox.take("host.routing-2", 10) == []
    assert patient.inbox.take("host.routing-1", 10) == before


def test_a_job_cancelled_while_it_was_scored_stays_cancelled(stores: Stores) -> None:
    (job_id,) = stores.jobs.accept([job()])
    results = routed(stores, "a")
    stores.jobs.cancel(job_id)

    assert stores.inbox.commit(results) == 0
    assert stores.jobs.get(job_id).state is JobState.CANCELLED
    assert stores.inbox.waiting() == 0


def test_a_result_of_an_earlier_attempt_is_dropped(stores: Stores) -> None:
    (job_id,) = stores.jobs.accept([job()])
    first = routed(stores, "a")
    stores.inbox.commit([Result(first[0].entry, JobState.FAILED, reason="scoring failed")])
    stores.jobs.retry(job_id)

    assert stores.inbox.commit(first) == 0
    assert stores.inbox.commit(routed(stores, "b")) == 1
    assert stores.jobs.get(job_id).attempt == 2


def test_many_workers_at_once_commit_every_job_once(redis_url: str, redis_client: redis.Redis) -> None:
    stores = open_stores(redis_client)
    stores.inbox.prepare()
    job_ids = stores.jobs.accept([job(f"part {i}") for i in range(200)])
    committed: list[int] = []

    def work(name: str) -> None:
        own = open_stores(redis.Redis.from_url(redis_url))
        while results := routed(own, name, 7):
            committed.append(own.inbox.commit(results))

    threads = [threading.Thread(target=work, args=(f"w{i}",)) for i in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sum(committed) == 200
    routed_events = [e.subject for e in stores.events.after("0", 1000) if e.kind == "job.routed"]
    assert sorted(routed_events) == sorted(f"job/{job_id}" for job_id in job_ids)


def test_the_bell_is_wanted_for_untaken_and_for_forgotten_jobs(stores: Stores) -> None:
    assert not stores.inbox.needs_a_bell()
    stores.jobs.accept([job()])
    assert stores.inbox.needs_a_bell()
    stores.inbox.take("a", 10)
    assert not stores.inbox.needs_a_bell()
    threading.Event().wait(0.1)
    assert stores.inbox.needs_a_bell()


# --- a job that ends its worker ----------------------------------------------------------------------------------


def cut_off(stores: Stores, times: int) -> None:
    """A worker that dies so often over the same share, taken in whole."""
    for _ in range(times):
        stores.inbox.take("host.routing-1", 10)


def test_a_share_cut_off_once_is_taken_whole_again(stores: Stores) -> None:
    stores.jobs.accept([job("a"), job("b")])
    cut_off(stores, 1)
    assert [one.alone for one in stores.inbox.take("host.routing-1", 10)] == [False, False]


def test_a_share_cut_off_again_is_taken_one_by_one(stores: Stores) -> None:
    ids = stores.jobs.accept([job("a"), job("b"), job("c")])
    cut_off(stores, 2)
    done = []
    while entries := stores.inbox.take("host.routing-1", 10):
        [entry] = entries
        done.append(entry.job_id)
        assert entry.alone
        assert stores.inbox.strike(entry) == 1
        stores.inbox.commit([Result(entry, JobState.ROUTED, Router(shop()).route([job()])[0])])
    assert done == ids
    assert stores.client.hlen(stores.keys.inbox_strikes) == 0


def test_a_job_that_ends_every_worker_fails_and_the_others_are_routed(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The worker's end is an exception that nothing handles; each try is a new worker of the same name."""
    for thing in (shop().machines, shop().nozzles, shop().materials, shop().spools):
        for one in thing:
            stores.fleet.create(one)
    good, deadly, late = stores.jobs.accept([job("good"), job("deadly"), job("late")])
    route_all = routing.route_all

    def deadly_to_one(router: Router, specs: list) -> list:
        if any(spec.name == "deadly" for spec in specs):
            raise SystemExit(9)
        return route_all(router, specs)

    monkeypatch.setattr(routing, "route_all", deadly_to_one)
    ends = 0
    while stores.inbox.waiting() and ends < 20:
        try:
            routing.drain_inbox(stores, "host.routing-1")
        except SystemExit:
            ends += 1
    assert [stores.jobs.get(one).state for one in (good, deadly, late)] == ["routed", "failed", "routed"]
    assert stores.jobs.get(deadly).reason == routing.ENDS_ITS_WORKER
    assert ends == 2 + routing.STRIKES  # twice with the others, then alone


def test_a_store_that_takes_no_writes_is_not_held_against_a_job(stores: Stores) -> None:
    stores.jobs.accept([job()])
    cut_off(stores, 2)
    [entry] = stores.inbox.take("host.routing-1", 10)
    stores.client.config_set("maxmemory", "1")
    try:
        for _ in range(5):
            with pytest.raises(redis.RedisError):
                stores.inbox.strike(entry)
    finally:
        stores.client.config_set("maxmemory", "0")
    assert stores.inbox.strike(entry) == 1
