"""Long tasks on a real Redis: claimed once, followed, cancelled, ended once, never left hanging."""

from __future__ import annotations

from collections import Counter

import pytest
import redis

from workers.model import ids
from workers.model.errors import ConflictError, NotFoundError, UnavailableError, VersionMismatchError
from workers.model.long_task import LongTask, TaskState
from workers.store import long_tasks
from workers.store.long_tasks import Held
from workers.store.stores import Stores, open_stores


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    return open_stores(redis_client)


def asked(stores: Stores, number: int = 1, kind: str = "study") -> LongTask:
    return stores.long_tasks.create(kind, ids.encode(number, 0), b'{"n":1}', seconds=5.0)


def held(stores: Stores, holder: str = "w1") -> Held:
    found = stores.long_tasks.claim(holder)
    assert found is not None
    return found


def lapse(stores: Stores) -> None:
    """As if the worker had not been heard of for a lease."""
    for subject in stores.client.zrange(stores.keys.long_tasks_open, 0, -1):
        stores.client.zadd(stores.keys.long_tasks_open, {subject: 1})


def told(stores: Stores, subject: str) -> list[str]:
    return [event.kind for event in stores.events.after("0", 1000) if event.subject == subject]


def test_from_asking_to_the_result(stores: Stores) -> None:
    task = asked(stores)
    assert task == stores.long_tasks.get("study", task.id)
    mine = held(stores)
    assert stores.long_tasks.claim("w2") is None
    assert stores.long_tasks.renew(mine, 40.0, {"best": 2.5}) == "on"
    seen = stores.long_tasks.get("study", task.id)
    assert (seen.state, seen.percent, seen.figures, seen.attempt) == (TaskState.RUNNING, 40.0, {"best": 2.5}, 1)
    assert seen.version > task.version
    assert stores.long_tasks.finish(mine, TaskState.DONE, b"[1]")
    done = stores.long_tasks.get("study", task.id)
    assert (done.state, done.percent, done.result, done.request) == (TaskState.DONE, 100.0, "[1]", '{"n":1}')
    assert told(stores, task.subject) == ["study.waiting", "study.running", "study.progress", "study.done"]
    history = [line.kind for line in stores.events.history(task.subject)]
    assert history == ["study.waiting", "study.running", "study.done"]
    assert stores.long_tasks.claimable() == 0


def test_it_ends_once(stores: Stores) -> None:
    asked(stores)
    mine = held(stores)
    assert stores.long_tasks.finish(mine, TaskState.DONE, b"1")
    assert not stores.long_tasks.finish(mine, TaskState.FAILED, b"2", "late")
    assert stores.long_tasks.renew(mine) == "lost"
    assert stores.long_tasks.get("study", mine.task_id).result == "1"


def test_one_whose_worker_is_gone_is_begun_again_and_the_first_cannot_end_it(stores: Stores) -> None:
    asked(stores)
    first = held(stores)
    lapse(stores)
    assert stores.long_tasks.claimable() == 1
    second = held(stores, "w2")
    assert (second.task_id, second.attempt) == (first.task_id, 2)
    assert not stores.long_tasks.finish(first, TaskState.DONE, b"first")
    assert stores.long_tasks.finish(second, TaskState.DONE, b"second")
    assert stores.long_tasks.get("study", first.task_id).result == "second"


def test_a_restarted_worker_frees_what_it_had_in_hand_at_once(stores: Stores) -> None:
    asked(stores)
    held(stores, "w1")
    assert stores.long_tasks.release("another") == 0
    assert stores.long_tasks.claimable() == 0
    assert stores.long_tasks.release("w1") == 1
    assert held(stores, "w1").attempt == 2


def test_one_that_takes_its_worker_down_each_time_fails_with_the_reason(stores: Stores) -> None:
    task = asked(stores)
    for _ in range(long_tasks.MOST_ATTEMPTS):
        held(stores)
        lapse(stores)
    assert stores.long_tasks.claim("w1") is None
    failed = stores.long_tasks.get("study", task.id)
    assert failed.state is TaskState.FAILED
    assert "ended each time" in failed.reason
    assert stores.long_tasks.claimable() == 0


def test_a_cancel_ends_one_that_waits_and_asks_one_that_runs(stores: Stores) -> None:
    runs, waits = asked(stores, 1), asked(stores, 2)
    mine = held(stores)
    assert mine.task_id == runs.id
    assert stores.long_tasks.cancel("study", waits.id, reason="not needed").state is TaskState.CANCELLED
    for _ in range(2):  # asking twice is asking once
        asking = stores.long_tasks.cancel("study", runs.id)
        assert (asking.state, asking.cancelling) == (TaskState.RUNNING, True)
    assert told(stores, runs.subject).count("study.cancelling") == 1
    assert stores.long_tasks.renew(mine, 50.0) == "cancel"
    stores.long_tasks.finish(mine, TaskState.CANCELLED, b"best so far")
    ended = stores.long_tasks.get("study", runs.id)
    assert (ended.state, ended.result, ended.cancelling, ended.percent) == ("cancelled", "best so far", False, 50.0)
    with pytest.raises(ConflictError):
        stores.long_tasks.cancel("study", runs.id)


def test_a_cancel_that_the_worker_did_not_live_to_see_still_ends_it(stores: Stores) -> None:
    task = asked(stores)
    held(stores)
    stores.long_tasks.cancel("study", task.id)
    lapse(stores)
    assert stores.long_tasks.claim("w2") is None
    assert stores.long_tasks.get("study", task.id).state is TaskState.CANCELLED


def test_a_cancel_may_name_the_version_it_has_seen(stores: Stores) -> None:
    task = asked(stores)
    with pytest.raises(VersionMismatchError):
        stores.long_tasks.cancel("study", task.id, expected=task.version + 1)
    assert stores.long_tasks.cancel("study", task.id, expected=task.version).state is TaskState.CANCELLED
    with pytest.raises(NotFoundError):
        stores.long_tasks.cancel("study", "nothing")


def test_kinds_are_listed_apart_newest_first_in_pages(stores: Stores) -> None:
    made = [asked(stores, number) for number in range(1, 6)]
    asked(stores, 9, kind="plan")
    first = stores.long_tasks.page("study", limit=3)
    assert [one.id for one in first.items] == [one.id for one in made[:1:-1]]
    second = stores.long_tasks.page("study", first.next_cursor, limit=3)
    assert [one.id for one in second.items] == [made[1].id, made[0].id]
    assert second.next_cursor is None
    assert [one.kind for one in stores.long_tasks.page("plan").items] == ["plan"]


def test_past_the_number_kept_the_oldest_that_have_ended_go(stores: Stores, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(long_tasks, "KEPT", 3)
    made = []
    for number in range(1, 6):
        made.append(asked(stores, number))
        if number > 1:  # the first goes on waiting
            stores.long_tasks.cancel("study", made[-1].id)
    kept = [one.id for one in stores.long_tasks.page("study").items]
    assert kept == [made[4].id, made[3].id, made[0].id]
    with pytest.raises(NotFoundError):
        stores.long_tasks.get("study", made[1].id)
    assert stores.events.history(made[1].subject) == ()


def test_past_the_limit_no_other_is_accepted(stores: Stores, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(long_tasks, "OPEN_MOST", 2)
    asked(stores, 1)
    asked(stores, 2)
    with pytest.raises(UnavailableError):
        asked(stores, 3)


def test_many_workers_run_each_task_once(stores: Stores) -> None:
    for number in range(1, 9):
        asked(stores, number)
    taken = Counter(held(stores, f"w{number}").task_id for number in range(8))
    assert set(taken.values()) == {1}
    assert len(taken) == 8
    assert stores.long_tasks.claim("w9") is None
