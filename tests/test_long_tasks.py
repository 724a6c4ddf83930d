"""Running long tasks: the runner of a kind, its progress, its cancel, its failures, and the bell."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest
import redis
from rq import Queue
from rq.serializers import JSONSerializer

from workers import tasks
from workers.model import ids
from workers.model.errors import InvalidError
from workers.model.long_task import LongTask, TaskState
from workers.store.stores import Stores, open_stores
from workers.tasks import long_tasks
from workers.tasks.long_tasks import RUNNERS, Hand, Runner


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    return open_stores(redis_client)


@pytest.fixture
def kind(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    monkeypatch.setattr(long_tasks, "RENEW_S", 0.01)
    yield "study"
    RUNNERS.pop("study", None)


def ran(stores: Stores, runner: Runner) -> LongTask:
    RUNNERS["study"] = runner
    task = stores.long_tasks.create("study", ids.encode(1, 0), b"{}", seconds=5.0)
    assert tasks.run_next(stores, "w1") == task.subject
    return stores.long_tasks.get("study", task.id)


def test_progress_is_told_while_it_runs_and_the_result_is_kept(stores: Stores, kind: str) -> None:
    seen: list[LongTask] = []

    def runner(stores: Stores, task: LongTask, hand: Hand) -> bytes:
        hand.tell(30.0, best=4.0)
        while not seen or seen[-1].percent == 0.0:
            seen.append(stores.long_tasks.get(kind, task.id))
        assert hand.seconds_left > 0.0
        return b"7"

    task = ran(stores, runner)
    assert (seen[-1].percent, seen[-1].figures) == (30.0, {"best": 4.0})
    assert (task.state, task.result) == (TaskState.DONE, "7")


def test_a_cancel_reaches_the_runner_and_its_best_is_kept(stores: Stores, kind: str) -> None:
    def runner(stores: Stores, task: LongTask, hand: Hand) -> bytes:
        stores.long_tasks.cancel(kind, task.id)
        while not hand.cancelled():
            time.sleep(0.01)
        return b"so far"

    task = ran(stores, runner)
    assert (task.state, task.result) == (TaskState.CANCELLED, "so far")


@pytest.mark.parametrize(
    ("error", "words"),
    [(InvalidError("there is nothing to do"), "there is nothing to do"), (ValueError("odd"), "ValueError: odd")],
)
def test_what_goes_wrong_becomes_the_reason(stores: Stores, kind: str, error: Exception, words: str) -> None:
    def runner(stores: Stores, task: LongTask, hand: Hand) -> bytes:
        raise error

    task = ran(stores, runner)
    assert task.state is TaskState.FAILED
    assert words in task.reason


def test_a_kind_that_nobody_knows_fails_and_does_not_hang(stores: Stores) -> None:
    task = stores.long_tasks.create("unheard-of", ids.encode(1, 0), b"{}", seconds=5.0)
    tasks.run_next(stores, "w1")
    assert stores.long_tasks.get("unheard-of", task.id).state is TaskState.FAILED


def test_what_waits_without_a_bell_is_rung_for(stores: Stores, kind: str) -> None:
    def queued() -> int:
        return len(Queue(tasks.PLANNING_QUEUE, connection=stores.client, serializer=JSONSerializer))

    assert not tasks.reconcile_long(stores)
    stores.long_tasks.create(kind, ids.encode(1, 0), b"{}", seconds=5.0)
    assert tasks.reconcile_long(stores)
    assert queued() == 1
    assert not tasks.reconcile_long(stores)
    assert queued() == 1
