"""The inbox: a stream with one consumer group. Batches are taken, scored and committed exactly once."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from typing import Any

import redis

from workers.model.codec import to_json
from workers.model.job import JobState
from workers.model.routing import Routing
from workers.store.events import EVENTS_KEPT
from workers.store.keys import Keys
from workers.store.origin import with_origin

GROUP = "routers"
SCRIPT_JOBS = 128  # jobs a script call, so that Redis is never held for long
CUT_OFF_ONCE = 1  # a share that was given out more often may hold a job that ends its worker: one by one then


@dataclass(frozen=True, slots=True)
class InboxEntry:
    """alone: it was given out before, more than once, and is taken by itself now; see :meth:`Inbox.strike`."""

    entry_id: str
    job_id: str
    attempt: int
    alone: bool = False


@dataclass(frozen=True, slots=True)
class Result:
    """What a job came to: ``routed`` or ``unroutable`` with a routing, ``failed`` with a reason.

    request_id: of the request that handed it in.
    """

    entry: InboxEntry
    state: JobState
    routing: Routing | None = None
    reason: str = ""
    request_id: str = ""


class Inbox:
    """``reclaim_after_s``: how long another worker may sit on a job before it is taken over."""

    def __init__(
        self,
        client: redis.Redis,
        keys: Keys,
        clock: Callable[[], float] = time.time,
        reclaim_after_s: float = 30.0,
    ) -> None:
        self._redis, self._keys, self._clock = client, keys, clock
        self._reclaim_ms = int(reclaim_after_s * 1000)
        self._script = client.register_script(files("workers.store").joinpath("commit.lua").read_text("utf-8"))

    def prepare(self) -> None:
        """Make the consumer group if it is not there yet."""
        try:
            self._redis.xgroup_create(self._keys.inbox, GROUP, id="0", mkstream=True)
        except redis.ResponseError as error:
            if "BUSYGROUP" not in str(error):
                raise

    def take(self, consumer: str, count: int) -> list[InboxEntry]:
        """Up to ``count`` jobs: this consumer's own of an earlier life, then what a dead worker left, then new ones.

        Where a share of its own was cut off more than once, one job of it and no other.
        """
        cut_off = self._cut_off(consumer, count)
        if cut_off > CUT_OFF_ONCE:
            return [replace(one, alone=True) for one in self._own(consumer, 1)]
        entries = self._own(consumer, count) if cut_off else []
        if len(entries) < count:
            entries += self._reclaim(consumer, count - len(entries))
        if len(entries) < count:
            answer: Any = self._redis.xreadgroup(GROUP, consumer, {self._keys.inbox: ">"}, count=count - len(entries))
            entries += [_entry(row_id, fields) for _, rows in answer or [] for row_id, fields in rows]
        return entries

    def _cut_off(self, consumer: str, count: int) -> int:
        """How often one of the jobs that this consumer holds was given out, at most."""
        held: Any = self._redis.xpending_range(
            self._keys.inbox, GROUP, min="-", max="+", count=count, consumername=consumer
        )
        return max((int(one["times_delivered"]) for one in held), default=0)

    def strike(self, entry: InboxEntry) -> int:
        """Note that a job is begun alone; gives how often it was, so. Its commit strikes it off the list again.

        Written before it is scored, and refused by a store that takes no writes: so what counts is the ends of
        workers, not the store's.
        """
        return int(self._redis.hincrby(self._keys.inbox_strikes, entry.entry_id, 1))

    def _own(self, consumer: str, count: int) -> list[InboxEntry]:
        answer: Any = self._redis.xreadgroup(GROUP, consumer, {self._keys.inbox: "0"}, count=count)
        return [_entry(row_id, fields) for _, rows in answer or [] for row_id, fields in rows if fields]

    def _reclaim(self, consumer: str, count: int) -> list[InboxEntry]:
        answer: Any = self._redis.xautoclaim(
            self._keys.inbox, GROUP, consumer, min_idle_time=self._reclaim_ms, start_id="0-0", count=count
        )
        return [_entry(row_id, fields) for row_id, fields in answer[1] if fields]

    def waiting(self) -> int:
        """Jobs not yet committed, taken or not."""
        return int(self._redis.xlen(self._keys.inbox))

    def needs_a_bell(self) -> bool:
        """Whether entries wait that no live drain is known to hold: untaken ones, or ones held too long."""
        for group in self._groups():
            taken = int(group["pending"])
            if self.waiting() > taken:
                return True
            idle: Any = self._redis.xpending_range(
                self._keys.inbox, GROUP, min="-", max="+", count=1, idle=self._reclaim_ms
            )
            return bool(idle)
        return False

    def _groups(self) -> list[dict[str, Any]]:
        try:
            groups: Any = self._redis.xinfo_groups(self._keys.inbox)
        except redis.ResponseError:  # no stream yet
            return []
        return [g for g in groups if g["name"] in (GROUP, GROUP.encode())]

    def commit(self, results: Sequence[Result]) -> int:
        """Write the outcomes and drop the entries; returns how many jobs were still waiting for one."""
        return sum(self._commit(results[start : start + SCRIPT_JOBS]) for start in range(0, len(results), SCRIPT_JOBS))

    def _commit(self, results: Sequence[Result]) -> int:
        now = self._clock()
        keys = [self._keys.inbox, self._keys.events, self._keys.counters]
        args: list[Any] = [GROUP, repr(now), EVENTS_KEPT]
        for result in results:
            keys += self._job_keys(result)
            args += _job_args(result, now)
        committed = int(self._script(keys=keys, args=args))
        if alone := [result.entry.entry_id for result in results if result.entry.alone]:
            self._redis.hdel(self._keys.inbox_strikes, *alone)
        return committed

    def _job_keys(self, result: Result) -> list[str]:
        job_id = result.entry.job_id
        return [
            self._keys.job(job_id),
            self._keys.jobs_in(JobState.ACCEPTED),
            self._keys.jobs_in(result.state),
            self._keys.history(f"job/{job_id}"),
        ]


def _job_args(result: Result, now: float) -> list[Any]:
    data = event_data(result)
    return [
        result.entry.entry_id,
        result.entry.attempt,
        result.state.value,
        to_json(result.routing) if result.routing is not None else b"",
        result.reason,
        result.entry.job_id,
        to_json(data),
        to_json({"at": now, "kind": f"job.{result.state.value}", "data": data}),
    ]


def event_data(result: Result) -> dict[str, Any]:
    """What the event of a routed (or refused, or failed) job says."""
    data = with_origin({"attempt": result.entry.attempt}, result.request_id)
    if result.reason:
        data["reason"] = result.reason
    if result.routing is not None and (chosen := result.routing.chosen) is not None:
        data |= {
            "machine_id": chosen.machine_id,
            "nozzle_id": chosen.nozzle_id,
            "material_id": chosen.material_id,
        }
    return data


def _entry(row_id: bytes, fields: dict[bytes, bytes]) -> InboxEntry:
    return InboxEntry(row_id.decode(), fields[b"job"].decode(), int(fields[b"attempt"]))
