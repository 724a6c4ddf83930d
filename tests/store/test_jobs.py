"""Jobs on a real Redis: accepted means kept and queued, in one step."""

from __future__ import annotations

import pytest
import redis

from tests.builders import job
from workers.model.errors import ConflictError, NotFoundError, UnavailableError, VersionMismatchError
from workers.model.job import JobState
from workers.store.idempotency import Answer, Reservation
from workers.store.stores import Stores, open_stores


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    opened = open_stores(redis_client, clock=lambda: 1000.0)
    opened.inbox.prepare()
    return opened


def test_an_accepted_job_is_kept_indexed_queued_and_told(stores: Stores) -> None:
    (job_id,) = stores.jobs.accept([job("tag")])

    record = stores.jobs.get(job_id)
    assert record.spec == job("tag")
    assert (record.state, record.version, record.attempt) == (JobState.ACCEPTED, 1, 1)
    assert stores.inbox.waiting() == 1
    assert [event.kind for event in stores.events.after("0")] == ["job.accepted"]
    assert [entry.kind for entry in stores.events.history(f"job/{job_id}")] == ["job.accepted"]
    assert stores.jobs.counts()[JobState.ACCEPTED] == 1


def test_a_batch_is_kept_whole_or_not_at_all(stores: Stores) -> None:
    def fail(pipe: object) -> None:
        raise RuntimeError("the connection broke before EXEC")

    with pytest.raises(RuntimeError):
        stores.jobs.accept([job("a"), job("b")], also=fail)

    assert stores.jobs.page().items == ()
    assert stores.inbox.waiting() == 0


def test_a_full_inbox_takes_nothing_more(redis_client: redis.Redis) -> None:
    small = open_stores(redis_client, inbox_limit=2)
    small.jobs.accept([job("a")])

    with pytest.raises(UnavailableError, match="limit is 2"):
        small.jobs.accept([job("b"), job("c")])

    assert small.inbox.waiting() == 1


def test_jobs_are_listed_newest_first_page_by_page(stores: Stores) -> None:
    handed_in = stores.jobs.accept([job(f"part {i}") for i in range(7)])

    seen, cursor = [], None
    while True:
        page = stores.jobs.page(after=cursor, limit=3)
        seen += [record.id for record in page.items]
        cursor = page.next_cursor
        if cursor is None:
            break

    assert seen == handed_in[::-1]


def test_cancelling_needs_the_version_that_was_seen(stores: Stores) -> None:
    (job_id,) = stores.jobs.accept([job()])

    with pytest.raises(VersionMismatchError):
        stores.jobs.cancel(job_id, expected=7)
    cancelled = stores.jobs.cancel(job_id, expected=1, reason="drawn wrong")

    assert (cancelled.state, cancelled.version, cancelled.reason) == (JobState.CANCELLED, 2, "drawn wrong")
    assert stores.jobs.counts()[JobState.ACCEPTED] == 0
    with pytest.raises(ConflictError, match="cancelled"):
        stores.jobs.cancel(job_id)


def test_an_unknown_job_is_said_to_be_unknown(stores: Stores) -> None:
    for ask in (stores.jobs.get, stores.jobs.routing, stores.jobs.cancel, stores.jobs.retry):
        with pytest.raises(NotFoundError):
            ask("no-such-job")


def test_the_first_answer_is_kept_in_the_same_step_as_the_job(stores: Stores) -> None:
    reservation = stores.idempotency.begin("jobs", "key-1", b"body")
    assert isinstance(reservation, Reservation)
    stores.jobs.accept([job()], also=lambda pipe: reservation.finish(pipe, Answer(status=202, body="{}")))

    assert stores.idempotency.begin("jobs", "key-1", b"body") == Answer(status=202, body="{}")
