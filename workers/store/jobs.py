"""Jobs in Redis: accepted in one MULTI, read, cancelled, tried again."""

from __future__ import annotations

import logging
import secrets
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import redis
from redis.client import Pipeline

from workers.model import ids
from workers.model.codec import from_json, to_json
from workers.model.errors import (
    ConflictError,
    FieldProblem,
    InvalidError,
    NotFoundError,
    UnavailableError,
    VersionMismatchError,
)
from workers.model.job import JobSpec, JobState
from workers.model.part_record import WAITING, PartRecord
from workers.model.record import JobRecord, Page
from workers.model.routing import Routing
from workers.store.dispatch import unlist
from workers.store.events import add_event
from workers.store.keys import Keys
from workers.store.origin import request_id, with_origin
from workers.store.parts import PartRepository, require_usable
from workers.store.uploads import Upload

log = logging.getLogger("borewright.jobs")

IDS_LOGGED = 20
FIELDS = ("doc", "state", "version", "attempt", "created_at", "updated_at", "reason", "request_id")
CHUNK = 500  # jobs read at a time
CANCELLABLE = frozenset(
    {
        JobState.ACCEPTED,
        JobState.ANALYSING,
        JobState.ROUTED,
        JobState.UNROUTABLE,
        JobState.FAILED,
        JobState.BOUND,
    }
)
RETRIABLE = frozenset({JobState.ROUTED, JobState.UNROUTABLE, JobState.FAILED, JobState.BOUND})


def new_ids(count: int, now: float) -> list[str]:
    """Identifiers for ``count`` jobs handed in together, in their order."""
    return ids.run_of(count, int(now * 1000), secrets.randbits(80))


class JobRepository:
    """``clock`` gives UTC epoch seconds; past ``inbox_limit`` waiting jobs nothing more is accepted."""

    def __init__(
        self,
        client: redis.Redis,
        keys: Keys,
        clock: Callable[[], float] = time.time,
        inbox_limit: int = 200_000,
        parts: PartRepository | None = None,
    ) -> None:
        self._redis, self._keys, self._clock, self._inbox_limit = client, keys, clock, inbox_limit
        self._parts = parts or PartRepository(client, keys, clock)

    def accept(
        self,
        specs: Sequence[JobSpec],
        job_ids: Sequence[str] | None = None,
        *,
        also: Callable[[Pipeline], None] | None = None,
    ) -> list[str]:
        """Keep and queue the jobs, all or none; as :meth:`hand_in`. Returns the ids."""
        chosen = list(job_ids) if job_ids is not None else new_ids(len(specs), self._clock())
        self.hand_in(specs, chosen, also=None if also is None else lambda pipe, _: also(pipe))
        return chosen

    def hand_in(
        self,
        specs: Sequence[JobSpec],
        job_ids: Sequence[str],
        *,
        upload: Upload | None = None,
        watch: Sequence[str] = (),
        guard: Callable[[], None] = lambda: None,
        also: Callable[[Pipeline, list[JobState]], None] | None = None,
    ) -> list[JobState]:
        """Keep and queue the jobs, all or none: record, index, event and inbox entry in one MULTI.

        A job whose part is not analysed yet is kept as analysing, without an inbox entry: the commit of the
        analysis moves it on. The parts are watched, so none can be committed in between. ``upload``: a mesh that
        one of the jobs refers to, kept in the same step. ``also`` may queue more into it (the Idempotency-Key's
        answer), given the state of each job. ``watch``: the caller's own keys; ``guard`` runs once they are watched and
        raises where they do not allow it. Returns these states.
        Raises UnavailableError when the inbox is full, InvalidError for a part that is unknown or refused.
        """
        self._require_room(len(specs))
        part_ids = sorted({spec.part_id for spec in specs if spec.part_id is not None})
        with self._redis.pipeline(transaction=True) as pipe:
            while True:
                try:
                    if part_ids or watch:
                        pipe.watch(*map(self._keys.part, part_ids), *watch)  # type: ignore[no-untyped-call]
                    guard()
                    parts = dict(zip(part_ids, self._parts.heads(part_ids), strict=True)) if part_ids else {}
                    pipe.multi()
                    if upload is not None:
                        parts[upload.id] = self._parts.write(pipe, upload, parts.get(upload.id))
                    states = [_first_state(spec, parts) for spec in specs]
                    self._write_all(pipe, specs, job_ids, states)
                    if also is not None:
                        also(pipe, states)
                    pipe.execute()
                except redis.WatchError:
                    continue
                log.info("jobs accepted count=%d job_ids=%s", len(specs), ",".join(job_ids[:IDS_LOGGED]))
                return states

    def _require_room(self, count: int) -> None:
        waiting = int(self._redis.xlen(self._keys.inbox))
        if waiting + count > self._inbox_limit:
            raise UnavailableError(
                f"{waiting} jobs wait to be routed and the limit is {self._inbox_limit}; try again later"
            )

    def _write_all(
        self, pipe: Pipeline, specs: Sequence[JobSpec], job_ids: Sequence[str], states: Sequence[JobState]
    ) -> None:
        now = self._clock()
        members: dict[JobState, dict[str, int]] = {}
        for job_id, spec, state in zip(job_ids, specs, states, strict=True):
            self._write_new(pipe, job_id, spec, state, now)
            members.setdefault(state, {})[job_id] = 0
        for state, scores in members.items():
            pipe.zadd(self._keys.jobs, scores)
            pipe.zadd(self._keys.jobs_in(state), scores)
            pipe.hincrby(self._keys.counters, "jobs_accepted", len(scores))

    def _write_new(self, pipe: Pipeline, job_id: str, spec: JobSpec, state: JobState, now: float) -> None:
        pipe.hset(
            self._keys.job(job_id),
            mapping={
                "doc": to_json(spec),
                "state": state.value,
                "version": 1,
                "attempt": 1,
                "created_at": repr(now),
                "updated_at": repr(now),
                "reason": "",
                "request_id": request_id(),
            },
        )
        data = with_origin({"name": spec.name})
        if spec.part_id is not None:
            pipe.sadd(self._keys.part_jobs(spec.part_id), job_id)
            data["part_id"] = spec.part_id
        if state is JobState.ACCEPTED:
            pipe.xadd(self._keys.inbox, {"job": job_id, "attempt": 1})
        add_event(pipe, self._keys, f"job.{state.value}", f"job/{job_id}", now, data)

    def get(self, job_id: str) -> JobRecord:
        """Raises NotFoundError."""
        row: Any = self._redis.hmget(self._keys.job(job_id), FIELDS)
        return _record(job_id, row)

    def get_many(self, job_ids: Sequence[str]) -> list[JobRecord | None]:
        """Records in the order asked for; None where there is none."""
        with self._redis.pipeline(transaction=False) as pipe:
            for job_id in job_ids:
                pipe.hmget(self._keys.job(job_id), FIELDS)
            rows = pipe.execute()
        return [_record(job_id, row) if row[0] is not None else None for job_id, row in zip(job_ids, rows, strict=True)]

    def page(self, state: JobState | None = None, after: str | None = None, limit: int = 50) -> Page[JobRecord]:
        """Jobs newest first, older than the id ``after``."""
        name = self._keys.jobs if state is None else self._keys.jobs_in(state)
        top = "+" if after is None else f"({after}"
        found: Any = self._redis.zrevrangebylex(name, top, "-", start=0, num=limit + 1)
        job_ids = [raw.decode() for raw in found]
        records = tuple(r for r in self.get_many(job_ids[:limit]) if r is not None)
        return Page(records, job_ids[limit - 1] if len(job_ids) > limit else None)

    def oldest_first(self, since: str, until: str, after: str | None = None, chunk: int = CHUNK) -> Iterator[JobRecord]:
        """Jobs with ids from ``since`` up to ``until`` (not included), behind ``after``, ``chunk`` by ``chunk``."""
        low = f"({after}" if after is not None and after >= since else f"[{since}"
        while True:
            found: Any = self._redis.zrangebylex(self._keys.jobs, low, f"({until}", start=0, num=chunk)
            if not found:
                return
            job_ids = [raw.decode() for raw in found]
            yield from (record for record in self.get_many(job_ids) if record is not None)
            low = f"({job_ids[-1]}"

    def counts(self) -> dict[JobState, int]:
        """How many jobs are in each state."""
        with self._redis.pipeline(transaction=False) as pipe:
            for state in JobState:
                pipe.zcard(self._keys.jobs_in(state))
            return dict(zip(JobState, pipe.execute(), strict=True))

    def routing(self, job_id: str) -> Routing | None:
        """The routing, or None while there is none. Raises NotFoundError for an unknown job."""
        doc, routing = self._redis.hmget(self._keys.job(job_id), ("state", "routing"))
        if doc is None:
            raise NotFoundError(f"no job has the id {job_id!r}")
        return from_json(routing, Routing) if routing else None

    def routings(self, job_ids: Sequence[str]) -> list[Routing | None]:
        """Routings in the order asked for; None where there is none."""
        if not job_ids:
            return []
        with self._redis.pipeline(transaction=False) as pipe:
            for job_id in job_ids:
                pipe.hget(self._keys.job(job_id), "routing")
            return [from_json(raw, Routing) if raw else None for raw in pipe.execute()]

    def cancel(self, job_id: str, expected: int | None = None, reason: str = "") -> JobRecord:
        """Raises NotFoundError, VersionMismatchError, ConflictError once it prints or has ended."""
        return self._move(job_id, expected, CANCELLABLE, JobState.CANCELLED, reason)

    def retry(self, job_id: str, expected: int | None = None) -> JobRecord:
        """Back into the inbox, to be routed on today's shop. Raises as :meth:`cancel` does."""
        return self._move(job_id, expected, RETRIABLE, JobState.ACCEPTED, "")

    def _move(
        self, job_id: str, expected: int | None, allowed: frozenset[JobState], to: JobState, reason: str
    ) -> JobRecord:
        name = self._keys.job(job_id)
        with self._redis.pipeline(transaction=True) as pipe:
            while True:
                try:
                    pipe.watch(name)  # type: ignore[no-untyped-call]
                    record = self.get(job_id)
                    _require_movable(record, expected, allowed, to)
                    then = self._waiting_for_part(pipe, record) if to is JobState.ACCEPTED else to
                    machine: Any = self._redis.hget(name, "list")
                    pipe.multi()
                    if machine is not None:
                        unlist(pipe, self._keys, job_id, machine.decode())
                    self._write_move(pipe, record, then, reason)
                    pipe.execute()
                except redis.WatchError:
                    continue
                return self.get(job_id)

    def _waiting_for_part(self, pipe: Pipeline, record: JobRecord) -> JobState:
        """What a job becomes that is tried again: its part may be in analysis once more."""
        part_id = record.spec.part_id
        if part_id is None:
            return JobState.ACCEPTED
        pipe.watch(self._keys.part(part_id))  # type: ignore[no-untyped-call]
        part = self._parts.heads([part_id])[0]
        return JobState.ANALYSING if part is not None and part.state in WAITING else JobState.ACCEPTED

    def _write_move(self, pipe: Pipeline, record: JobRecord, to: JobState, reason: str) -> None:
        now, name = self._clock(), self._keys.job(record.id)
        changes = {"state": to.value, "version": record.version + 1, "updated_at": repr(now), "reason": reason}
        data: dict[str, Any] = {"from": record.state.value, "reason": reason}
        if to in {JobState.ACCEPTED, JobState.ANALYSING}:
            changes["attempt"] = record.attempt + 1
            pipe.hdel(name, "routing")
            if to is JobState.ACCEPTED:
                pipe.xadd(self._keys.inbox, {"job": record.id, "attempt": record.attempt + 1})
            data["attempt"] = record.attempt + 1
        pipe.hset(name, mapping=changes)  # type: ignore[arg-type]
        pipe.zrem(self._keys.jobs_in(record.state), record.id)
        pipe.zadd(self._keys.jobs_in(to), {record.id: 0})
        add_event(pipe, self._keys, f"job.{to.value}", f"job/{record.id}", now, data)


def _first_state(spec: JobSpec, parts: Mapping[str, PartRecord | None]) -> JobState:
    """Raises InvalidError at /part_id."""
    if spec.part_id is None:
        return JobState.ACCEPTED
    try:
        part = require_usable(parts.get(spec.part_id), spec.part_id)
    except InvalidError as error:
        raise InvalidError(error.detail, fields=(FieldProblem("/part_id", error.detail),)) from None
    return JobState.ANALYSING if part.state in WAITING else JobState.ACCEPTED


def _require_movable(record: JobRecord, expected: int | None, allowed: frozenset[JobState], to: JobState) -> None:
    if expected is not None and record.version != expected:
        raise VersionMismatchError(f"the version is {record.version} now, If-Match named {expected}")
    if record.state not in allowed:
        names = ", ".join(sorted(allowed))
        raise ConflictError(f"a job that is {record.state} cannot become {to}; it can be when it is: {names}")


def _record(job_id: str, row: Sequence[bytes | None]) -> JobRecord:
    doc, state, version, attempt, created, updated, reason, origin = row
    if doc is None or state is None:
        raise NotFoundError(f"no job has the id {job_id!r}")
    return JobRecord(
        id=job_id,
        spec=from_json(doc, JobSpec),
        state=JobState(state.decode()),
        version=int(version or 1),
        attempt=int(attempt or 1),
        created_at=float(created or 0),
        updated_at=float(updated or 0),
        reason=(reason or b"").decode(),
        request_id=(origin or b"").decode(),
    )
