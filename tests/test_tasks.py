"""The tasks on a real Redis: ring, drain, reconcile; one bad job does not stop its batch."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
import redis
from rq import Queue, SimpleWorker
from rq.serializers import JSONSerializer

from tests.builders import block, chopped_fibre, job, machine, nozzle, plain, spool
from workers import tasks
from workers.model.job import JobSpec, JobState
from workers.model.routing import Routing
from workers.routing.decide import Router
from workers.store.stores import Stores, open_stores


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    opened = open_stores(redis_client)
    opened.inbox.prepare()
    things = (machine(), nozzle("n04", 0.4), plain(), chopped_fibre(), spool("pla"))
    for thing in things:
        opened.fleet.create(thing)
    return opened


def queued(stores: Stores) -> int:
    return len(Queue(tasks.ROUTING_QUEUE, connection=stores.client, serializer=JSONSerializer))


def work_off(stores: Stores) -> None:
    queue = Queue(tasks.ROUTING_QUEUE, connection=stores.client, serializer=JSONSerializer)
    SimpleWorker([queue], connection=stores.client, serializer=JSONSerializer).work(burst=True, logging_level="ERROR")


def test_a_rung_worker_routes_what_was_handed_in(stores: Stores) -> None:
    job_ids = stores.jobs.accept([job("a"), job("b", summary=block(900, 10, 10))])
    assert tasks.ring(stores)

    work_off(stores)

    assert [stores.jobs.get(one).state for one in job_ids] == [JobState.BOUND, JobState.UNROUTABLE]
    told = [entry.kind for entry in stores.events.history(f"job/{job_ids[0]}")]
    assert told == ["job.accepted", "job.routed", "job.bound"]
    routing = stores.jobs.routing(job_ids[0])
    assert routing is not None
    assert routing == Router(stores.fleet.snapshot(), routing.as_of).route([job("a")])[0]
    assert routing.as_of is not None


def test_ringing_twice_queues_one_task(stores: Stores) -> None:
    assert tasks.ring(stores)
    assert not tasks.ring(stores)
    assert queued(stores) == 1


def test_who_comes_after_a_drain_has_begun_can_ring_again(stores: Stores) -> None:
    tasks.ring(stores)
    work_off(stores)
    assert tasks.ring(stores)


def test_a_backlog_of_more_than_one_batch_calls_another_worker_in(stores: Stores) -> None:
    stores.jobs.accept([job(f"part {i}") for i in range(9)])
    assert tasks.drain_inbox(stores, "a", batch=4) == 9
    assert queued(stores) == 1


def test_a_job_that_cannot_be_scored_fails_alone_and_can_be_tried_again(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = Router.route

    def faulty(self: Router, specs: Sequence[JobSpec]) -> list[Routing]:
        if any(spec.name == "poison" for spec in specs):
            raise ArithmeticError("a model went out of its range")
        return sound(self, specs)

    monkeypatch.setattr(Router, "route", faulty)
    job_ids = stores.jobs.accept([job("a"), job("poison"), job("b")])
    tasks.drain_inbox(stores, "a")

    records = [stores.jobs.get(one) for one in job_ids]
    assert [record.state for record in records] == [JobState.ROUTED, JobState.FAILED, JobState.ROUTED]
    assert "a model went out of its range" in records[1].reason

    monkeypatch.setattr(Router, "route", sound)
    stores.jobs.retry(job_ids[1])
    tasks.drain_inbox(stores, "a")
    again = stores.jobs.get(job_ids[1])
    assert (again.state, again.attempt, again.reason) == (JobState.ROUTED, 2, "")


def test_a_changed_shop_is_seen_by_the_next_batch(stores: Stores) -> None:
    (before,) = stores.jobs.accept([job(material="pa-cf")])
    tasks.drain_inbox(stores, "a")
    stores.fleet.create(spool("pa-cf"))
    (after,) = stores.jobs.accept([job(material="pa-cf")])
    tasks.drain_inbox(stores, "a")
    assert stores.jobs.get(before).state is JobState.UNROUTABLE
    assert stores.jobs.get(after).state is JobState.ROUTED


def test_a_cancelled_job_is_not_routed(stores: Stores) -> None:
    job_id, other = stores.jobs.accept([job("a"), job("b")])
    stores.jobs.cancel(job_id)
    assert tasks.drain_inbox(stores, "a") == 1
    assert stores.jobs.get(job_id).state is JobState.CANCELLED
    assert stores.jobs.get(other).state is JobState.ROUTED
    assert stores.inbox.waiting() == 0


def test_reconciling_rings_for_forgotten_jobs_only(stores: Stores) -> None:
    assert not tasks.reconcile(stores)
    stores.jobs.accept([job()])
    assert tasks.reconcile(stores)
    work_off(stores)
    assert not tasks.reconcile(stores)


def test_drain_is_an_rq_task() -> None:
    with pytest.raises(RuntimeError, match="RQ task"):
        tasks.drain("main")
