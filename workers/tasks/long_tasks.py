"""Long tasks are run one after another by a worker of their own queue, so that none of them holds up routing.

As with routing, RQ is the doorbell only: what is to be done, and who has it in hand, our own records say. A kind adds
itself with one function, and its module is imported in ``workers/tasks/__init__.py``:

    def study(stores: Stores, task: LongTask, hand: Hand) -> bytes:
        request = from_json(task.request, StudyRequest)
        while not hand.cancelled() and hand.seconds_left > 0:
            ...
            hand.tell(40.0, best=12.5)
        return to_json(result)  # after a cancel: the best so far

    RUNNERS["study"] = study

It keeps to its time limit itself. An error of ours (BorewrightError) becomes the reason why it failed. A worker that
dies is followed by another attempt, up to MOST_ATTEMPTS, so a runner changes nothing but its own result.
"""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import TypeAlias

import redis
from rq import Queue, get_current_job
from rq.serializers import JSONSerializer
from rq.timeouts import BaseTimeoutException

from workers.model.errors import BorewrightError, NotFoundError
from workers.model.long_task import LongTask, TaskState
from workers.store.long_tasks import LEASE_S, Held
from workers.store.stores import Stores, open_stores
from workers.tasks.routing import consumer_name

log = logging.getLogger("borewright.tasks")

PLANNING_QUEUE = "planning"
BELL_S = 5
RENEW_S = 0.5  # most often that progress is told, and how soon a cancel is seen
LONGEST_S = 600.0  # the highest time limit that a task may have
GRACE_S = 60.0  # from a task's time limit until it is given up
AGAIN_S = 0.5  # between two tries to write the result


class Hand:
    """A running task's link to its record. Used in ``with``: a thread renews the claim and looks for a cancel."""

    def __init__(self, stores: Stores, held: Held, seconds: float) -> None:
        self._stores, self._held = stores, held
        self._until = time.monotonic() + seconds
        self._news: tuple[float, Mapping[str, float]] | None = None
        self._percent = 0.0
        self._cancelled, self._lost, self._over = threading.Event(), threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._renew_all, name="long-task", daemon=True)

    def tell(self, percent: float, **figures: float) -> None:
        """How far it is, 0 to 100, and the figures of the moment. Costs nothing; never falls back."""
        self._percent = min(max(self._percent, percent), 100.0)
        self._news = (self._percent, figures)

    def cancelled(self) -> bool:
        """Whether to stop and return what there is. Costs nothing."""
        return self._cancelled.is_set() or self._lost.is_set()

    @property
    def seconds_left(self) -> float:
        return max(self._until - time.monotonic(), 0.0)

    def __enter__(self) -> Hand:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        self._thread.join()

    def _renew_all(self) -> None:
        """Until it is over, or so late that the task must hang: then the claim lapses and another may have it."""
        while not self._over.wait(RENEW_S) and time.monotonic() < self._until + GRACE_S:
            try:
                self._renew()
            except redis.RedisError as error:
                log.warning("the claim of %s was not renewed: %s", self._held.subject, type(error).__name__)

    def _renew(self) -> None:
        news, self._news = self._news, None
        word = self._stores.long_tasks.renew(self._held, *(news or ()))
        if word == "cancel":
            self._cancelled.set()
        elif word == "lost":
            self._lost.set()


Runner: TypeAlias = Callable[[Stores, LongTask, Hand], bytes]
RUNNERS: dict[str, Runner] = {}  # by kind
_stores: dict[tuple[int, str], Stores] = {}


def _unknown(stores: Stores, task: LongTask, hand: Hand) -> bytes:
    raise NotFoundError(f"this worker knows no {task.kind}: it runs another version of the service")


def ring_planning(stores: Stores) -> bool:
    """Ask for a worker, unless one is asked for already. Returns whether a task was queued."""
    if not stores.client.set(stores.keys.planning_bell, "1", nx=True, ex=BELL_S):
        return False
    timeout = int(LONGEST_S + 2 * GRACE_S)
    _queue(stores).enqueue(
        "workers.tasks.run_long", stores.keys.shop, result_ttl=0, failure_ttl=86_400, job_timeout=timeout
    )
    return True


def run_long(shop: str) -> str | None:
    """RQ task: run the long task of ``shop`` that waits longest. Returns what it was."""
    task = get_current_job()
    if task is None:
        raise RuntimeError("run_long runs as an RQ task; call run_next elsewhere")
    key = (os.getpid(), shop)
    if key not in _stores:
        _stores[key] = open_stores(task.connection, shop)
    return run_next(_stores[key], consumer_name(os.environ.get("BOREWRIGHT_WORKER", "worker")))


def run_next(stores: Stores, holder: str) -> str | None:
    """Claim, run and end one task. Returns its subject (KIND/ID), None if none waits."""
    stores.client.delete(stores.keys.planning_bell)  # before the look: who comes after it rings again
    stores.long_tasks.release(holder)  # a worker has one task in hand: what else stands under its name was cut off
    held = stores.long_tasks.claim(holder)
    if held is None:
        return None
    state, result, reason = _run(stores, held)
    _end(stores, held, state, result, reason)
    if stores.long_tasks.claimable():
        ring_planning(stores)
    return held.subject


def _run(stores: Stores, held: Held) -> tuple[TaskState, bytes, str]:
    """How it ended, with its result or the reason why there is none."""
    try:
        task = stores.long_tasks.get(held.kind, held.task_id)
        runner = RUNNERS.get(held.kind, _unknown)
        with Hand(stores, held, task.seconds) as hand:
            result = runner(stores, task, hand)
    except BorewrightError as error:
        return TaskState.FAILED, b"", error.detail
    except BaseTimeoutException:
        return TaskState.FAILED, b"", "it did not keep to its time limit and was ended"
    except redis.RedisError:
        raise
    except Exception as error:
        log.exception("%s broke off", held.subject)
        return TaskState.FAILED, b"", f"it broke off: {type(error).__name__}: {error}"[:500]
    return (TaskState.CANCELLED if hand.cancelled() else TaskState.DONE), result, ""


def _end(stores: Stores, held: Held, state: TaskState, result: bytes, reason: str) -> bool:
    """Write the end, over and over while the store is away and the claim may hold: the work is done already."""
    until = time.monotonic() + LEASE_S
    while True:
        try:
            return stores.long_tasks.finish(held, state, result, reason)
        except (redis.ConnectionError, redis.TimeoutError) as error:
            if time.monotonic() > until:
                raise
            log.warning("ending %s again: %s", held.subject, type(error).__name__)
            time.sleep(AGAIN_S)


def reconcile_long(stores: Stores) -> bool:
    """Ring where tasks wait that nobody holds and none is queued. Returns whether it rang."""
    try:
        return bool(stores.long_tasks.claimable()) and not len(_queue(stores)) and ring_planning(stores)
    except redis.RedisError as error:
        log.warning("reconciling was not possible now: %s", error)
        return False


def _queue(stores: Stores) -> Queue:
    return Queue(PLANNING_QUEUE, connection=stores.client, serializer=JSONSerializer)
