"""Long tasks in Redis: kept, claimed for a time, followed, cancelled, ended once. One repository for every kind.

A new kind (``study``, say) needs nothing here. Its resource creates a task and rings; its runner is registered in
``workers/tasks/long_tasks.py``, which tells how; its result is JSON text in ``LongTask.result``:

    task = stores.long_tasks.create("study", task_id, request_json, seconds=30.0, also=mine.also(answer))
    ring_planning(stores)
    stores.long_tasks.get("study", task_id)  # state, percent, figures, result
    stores.long_tasks.page("study", after, limit)  # newest first, without results
    stores.long_tasks.cancel("study", task_id, expected_version, reason)

Events are ``study.waiting``, ``.running``, ``.progress``, ``.cancelling``, ``.done``, ``.failed`` and ``.cancelled``.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import redis
from redis.client import Pipeline

from workers.model.codec import from_json, to_json
from workers.model.errors import ConflictError, NotFoundError, UnavailableError, VersionMismatchError
from workers.model.long_task import LongTask, TaskState, subject_of
from workers.model.record import Page
from workers.store.events import EVENTS_KEPT, add_event
from workers.store.keys import Keys
from workers.store.origin import with_origin

KEPT = 200  # tasks of a kind; past that the oldest that have ended go
OPEN_MOST = 20  # tasks that wait or run; past that no other is accepted
LEASE_S = 15.0  # a worker not heard of for so long has lost its task
MOST_ATTEMPTS = 3  # a task that takes the worker down each time fails. Engineering prior.
HEAD = (
    "state",
    "version",
    "request",
    "seconds",
    "created_at",
    "updated_at",
    "percent",
    "figures",
    "cancelling",
    "attempt",
    "reason",
    "started_at",
    "ended_at",
    "applied_at",
)


@dataclass(frozen=True, slots=True)
class Held:
    """One worker's right to run one task; it lapses unless it is renewed. attempt counts from 1."""

    kind: str
    task_id: str
    token: str
    attempt: int

    @property
    def subject(self) -> str:
        return subject_of(self.kind, self.task_id)


class LongTasks:
    """``clock`` gives UTC epoch seconds for new records; all else runs on the store's own clock."""

    def __init__(self, client: redis.Redis, keys: Keys, clock: Callable[[], float] = time.time) -> None:
        self._redis, self._keys, self._clock = client, keys, clock
        self._script = client.register_script(files("workers.store").joinpath("long_tasks.lua").read_text("utf-8"))

    def create(
        self,
        kind: str,
        task_id: str,
        request: bytes,
        *,
        seconds: float,
        also: Callable[[Pipeline], None] = lambda _: None,
    ) -> LongTask:
        """Keep a task that waits; its id sorts by time. ``also`` adds to the MULTI. Raises UnavailableError."""
        self._require_room()
        now, subject = self._clock(), subject_of(kind, task_id)
        values: dict[Any, Any] = {
            "state": TaskState.WAITING.value,
            "version": 1,
            "request": request,
            "seconds": repr(seconds),
            "created_at": repr(now),
            "updated_at": repr(now),
            "attempt": 0,
        }
        due = float(self._redis.time()[0])  # the store's clock
        with self._redis.pipeline(transaction=True) as pipe:
            pipe.hset(self._keys.long_task(subject), mapping=values)
            pipe.zadd(self._keys.long_tasks(kind), {task_id: 0})
            pipe.zadd(self._keys.long_tasks_open, {subject: due})
            add_event(pipe, self._keys, f"{kind}.waiting", subject, now, with_origin({"seconds": seconds}))
            also(pipe)
            pipe.execute()
        return LongTask(
            id=task_id,
            kind=kind,
            state=TaskState.WAITING,
            version=1,
            request=request.decode(),
            seconds=seconds,
            created_at=now,
            updated_at=now,
        )

    def _require_room(self) -> None:
        count = int(self._redis.zcard(self._keys.long_tasks_open))
        if count >= OPEN_MOST:
            raise UnavailableError(f"{count} long tasks wait or run and the limit is {OPEN_MOST}; try again")

    def get(self, kind: str, task_id: str) -> LongTask:
        """Raises NotFoundError."""
        row: Any = self._redis.hmget(self._keys.long_task(subject_of(kind, task_id)), (*HEAD, "result"))
        if row[0] is None:
            raise _unknown(kind, task_id)
        return _task(kind, task_id, row)

    def page(self, kind: str, after: str | None = None, limit: int = 50) -> Page[LongTask]:
        """Tasks newest first, older than the id ``after``, without their results."""
        top = "+" if after is None else f"({after}"
        found: Any = self._redis.zrevrangebylex(self._keys.long_tasks(kind), top, "-", start=0, num=limit + 1)
        task_ids = [raw.decode() for raw in found]
        with self._redis.pipeline(transaction=False) as pipe:
            for task_id in task_ids[:limit]:
                pipe.hmget(self._keys.long_task(subject_of(kind, task_id)), HEAD)
            rows = pipe.execute()
        tasks = (_task(kind, i, [*row, None]) for i, row in zip(task_ids, rows, strict=False) if row[0] is not None)
        return Page(tuple(tasks), task_ids[limit - 1] if len(task_ids) > limit else None)

    def cancel(self, kind: str, task_id: str, expected: int | None = None, reason: str = "") -> LongTask:
        """End a task that waits; ask one that runs to stop. Raises NotFoundError, VersionMismatchError, ConflictError
        once it has ended."""
        version = "" if expected is None else str(expected)
        word = self._run("cancel", [subject_of(kind, task_id), version, reason]).decode()
        if word == "unknown":
            raise _unknown(kind, task_id)
        if word == "changed":
            raise VersionMismatchError(f"the {kind} was changed in the meantime: look at it again")
        task = self.get(kind, task_id)
        if word == "over":
            raise ConflictError(f"the {kind} is {task.state}: there is nothing to cancel any more")
        return task

    def claimable(self) -> int:
        """Open tasks that no worker holds, or whose worker was not heard of for a lease."""
        return int(self._redis.zcount(self._keys.long_tasks_open, "-inf", self._now()))

    def claim(self, holder: str) -> Held | None:
        """The task that waits longest; None when none can be begun. One begun too often is failed on the way."""
        token = secrets.token_hex(8)
        found = self._run("claim", [LEASE_S, holder, token, MOST_ATTEMPTS])
        if not found:
            return None
        kind, _, task_id = found[0].decode().partition("/")
        return Held(kind, task_id, token, int(found[1]))

    def renew(self, held: Held, percent: float | None = None, figures: Mapping[str, float] | None = None) -> str:
        """Hold on for another lease, with what there is to tell. Gives on, cancel (asked for) or lost."""
        told = ["", ""] if percent is None else [repr(round(percent, 2)), to_json(figures or {})]
        word: str = self._run("renew", [held.subject, held.token, LEASE_S, *told]).decode()
        return word

    def finish(self, held: Held, state: TaskState, result: bytes = b"", reason: str = "") -> bool:
        """End it, once. False where it is in other hands by now, or has ended."""
        return bool(self._run("finish", [held.subject, held.token, state.value, result, reason]))

    def release(self, holder: str) -> int:
        """Give back what an earlier life of ``holder`` had in hand; the attempt counts, for it may have killed it."""
        subjects: Any = self._redis.zrange(self._keys.long_tasks_open, 0, -1)
        released, now = 0, self._now()
        for subject in subjects:
            held: Any = self._redis.hget(self._keys.long_task(subject.decode()), "holder")
            if held is not None and held.decode() == holder:
                # only where it is still there, and never later than it was: harmless beside another's claim
                earlier = self._redis.zadd(self._keys.long_tasks_open, {subject: now}, xx=True, lt=True, ch=True)
                released += bool(earlier)
        return released

    def _now(self) -> float:
        seconds, micros = self._redis.time()
        return float(seconds) + float(micros) / 1e6

    def _run(self, operation: str, args: Sequence[Any]) -> Any:
        keys = [self._keys.long_tasks_open, self._keys.events, self._keys.counters]
        return self._script(keys=keys, args=[self._keys.prefix, EVENTS_KEPT, KEPT, operation, *args])


def _task(kind: str, task_id: str, row: Sequence[bytes | None]) -> LongTask:
    values = dict(zip((*HEAD, "result"), row, strict=True))
    text = {name: (value or b"").decode() for name, value in values.items()}
    return LongTask(
        id=task_id,
        kind=kind,
        state=TaskState(text["state"]),
        version=int(text["version"]),
        request=text["request"],
        seconds=float(text["seconds"]),
        created_at=float(text["created_at"]),
        updated_at=float(text["updated_at"]),
        percent=float(text["percent"] or 0.0),
        figures=from_json(text["figures"] or "{}", dict[str, float]),
        cancelling=bool(text["cancelling"]),
        attempt=int(text["attempt"] or 0),
        reason=text["reason"],
        started_at=_moment(text["started_at"]),
        ended_at=_moment(text["ended_at"]),
        applied_at=_moment(text["applied_at"]),
        result=text["result"] or None,
    )


def _moment(text: str) -> float | None:
    return float(text) if text else None


def _unknown(kind: str, task_id: str) -> NotFoundError:
    return NotFoundError(f"no {kind} has the id {task_id!r}")
