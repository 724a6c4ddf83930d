"""Dispatch lists in Redis: a sorted set of job ids a machine, and an entry for each.

An entry stays in its place until the job's last copy has ended, so a copy that comes back needs no place of its own.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import redis
from redis.client import Pipeline

from workers.model.codec import from_json, to_json
from workers.model.dispatch import Copy, CopyState, DispatchList, Entry, Listed, RoutedJob
from workers.model.errors import ConflictError, NotFoundError, VersionMismatchError
from workers.model.job import JobState
from workers.model.routing import Candidate, Routing
from workers.store.claims import claim_of
from workers.store.events import EVENTS_KEPT
from workers.store.keys import Keys
from workers.store.scripts import script_keys, script_text

SCRIPT_JOBS = 64  # jobs a script call, so that Redis is never held for long
COUNTS = ("held", "accepted", "scrapped")


@dataclass(frozen=True, slots=True, kw_only=True)
class Binding:
    """A routed job with its machine and its place there.

    routing: what replaces its own (None: it stays), reason: why.
    """

    machine_id: str
    listed: Listed
    routing: Routing | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """From one place to another, on the same machine or not. A version None: whichever is there.

    routing: what replaces the job's own; None: it stays. kind and data: the event.
    """

    listed: Listed
    from_machine: str
    to_machine: str
    kind: str
    data: dict[str, Any]
    from_version: int | None = None
    to_version: int | None = None
    routing: Routing | None = None


@dataclass(frozen=True, slots=True)
class _Chosen:
    """The part of a routing that is read here; the rest is skipped."""

    chosen: Candidate | None
    others: tuple[Candidate, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _HandedIn:
    """The part of a job that a list needs."""

    name: str
    quantity: int = 1
    priority: int = 0
    due_at: float | None = None


ROUTED_FIELDS = ("state", "attempt", "created_at", "routing", "doc", "accepted", "scrapped")


class DispatchRepository:
    """Reads the lists and changes them by script. ``clock`` gives UTC epoch seconds, for reading only."""

    def __init__(self, client: redis.Redis, keys: Keys, clock: Callable[[], float] = time.time) -> None:
        self._redis, self._keys, self._clock = client, keys, clock
        self._script = client.register_script(script_text("dispatch.lua"))

    def to_bind(self, limit: int) -> list[str]:
        """Routed jobs that are on no list yet, oldest first."""
        found: Any = self._redis.zrange(self._keys.jobs_in(JobState.ROUTED), 0, limit - 1)
        return [raw.decode() for raw in found]

    def routed(self, job_ids: Sequence[str]) -> list[RoutedJob]:
        """Of these jobs, those that are routed, with what was chosen for them."""
        with self._redis.pipeline(transaction=False) as pipe:
            for job_id in job_ids:
                pipe.hmget(self._keys.job(job_id), ROUTED_FIELDS)
            rows = pipe.execute()
        found = (_routed(job_id, row) for job_id, row in zip(job_ids, rows, strict=True))
        return [one for one in found if one is not None]

    def bind(self, bindings: Sequence[Binding]) -> int:
        """Put routed jobs on their lists, each once; gives how many were still to be bound."""
        bound = 0
        for start in range(0, len(bindings), SCRIPT_JOBS):
            args = [one for binding in bindings[start : start + SCRIPT_JOBS] for one in _bind_args(binding)]
            bound += int(self._run("bind", args))
        return bound

    def get(self, machine_id: str) -> DispatchList:
        """The list of one machine; empty for a machine that has none."""
        with self._redis.pipeline(transaction=True) as pipe:
            pipe.hget(self._keys.dispatch_versions, machine_id)
            pipe.zrange(self._keys.dispatch_list(machine_id), 0, -1, withscores=True)
            pipe.hgetall(self._keys.dispatch_entries(machine_id))
            pipe.hget(self._keys.holders, machine_id)
            version, places, entries, holder = pipe.execute()
        found = [(raw.decode(), place) for raw, place in places if raw in entries]
        counts, claim = self._counts([job_id for job_id, _ in found], holder)
        listed = tuple(
            Listed(entry=from_json(entries[job_id.encode()], Entry), place=place, **count)
            for (job_id, place), count in zip(found, counts, strict=True)
        )
        kept = claim_of(holder.decode(), claim) if holder and claim else None
        return DispatchList(machine_id=machine_id, version=int(version or 0), listed=listed, claim=kept)

    def machines(self) -> list[str]:
        """Machines that have or had a list."""
        found: Any = self._redis.hkeys(self._keys.dispatch_versions)
        return sorted(raw.decode() for raw in found)

    def version(self, machine_id: str) -> int:
        raw: Any = self._redis.hget(self._keys.dispatch_versions, machine_id)
        return int(raw or 0)

    def _counts(self, job_ids: Sequence[str], holder: bytes | None) -> tuple[list[dict[str, int]], dict[bytes, bytes]]:
        with self._redis.pipeline(transaction=True) as pipe:
            for job_id in job_ids:
                pipe.hmget(self._keys.job(job_id), COUNTS)
            pipe.hgetall(self._keys.claim(holder.decode() if holder else ""))
            *rows, claim = pipe.execute()
        return [{name: int(raw or 0) for name, raw in zip(COUNTS, row, strict=True)} for row in rows], claim

    def machine_of(self, job_id: str) -> str | None:
        """The machine on whose list the job is. Raises NotFoundError for an unknown job."""
        row: Any = self._redis.hmget(self._keys.job(job_id), ("state", "list"))
        state, machine = row
        if state is None:
            raise NotFoundError(f"no job has the id {job_id!r}")
        return machine.decode() if machine else None

    def copies(self, job_id: str) -> tuple[Copy, ...]:
        """The copies that are being printed or have ended, in the order of their numbers."""
        rows: Any = self._redis.hgetall(self._keys.copies(job_id))
        found = [(int(copy), *raw.decode().split(" ", 1)) for copy, raw in rows.items()]
        return tuple(Copy(copy=copy, state=CopyState(state), claim_id=claim) for copy, state, claim in sorted(found))

    def move(self, move: Move) -> None:
        """Raises ConflictError where the job is not on that list (any more) or prints, VersionMismatchError."""
        entry = move.listed.entry
        args = [
            entry.job_id,
            move.from_machine,
            _version(move.from_version),
            move.to_machine,
            _version(move.to_version),
            repr(move.listed.place),
            to_json(entry),
            entry.nozzle_id,
            entry.attempt,
            to_json(move.routing) if move.routing is not None else b"",
            move.kind,
            to_json(move.data),
        ]
        word = self._run("move", args).decode()
        if word == "gone":
            raise ConflictError(f"the job {entry.job_id} is not on the dispatch list of {move.from_machine!r} any more")
        if word == "printing":
            raise ConflictError(f"a copy of {entry.job_id} is being printed: the job stays on {move.from_machine!r}")
        if word == "changed":
            raise VersionMismatchError("the dispatch list was changed in the meantime: look at it again")

    def renumber(self, machine_id: str, version: int, job_ids: Sequence[str]) -> bool:
        """Spread the places of a list out, in this order. False where it was changed meanwhile."""
        return bool(self._run("renumber", [machine_id, version, *job_ids]) == b"moved")

    def _run(self, operation: str, args: Sequence[Any]) -> Any:
        return self._script(keys=script_keys(self._keys), args=[self._keys.prefix, EVENTS_KEPT, operation, *args])


def _routed(job_id: str, row: Sequence[bytes | None]) -> RoutedJob | None:
    state, attempt, created_at, routing, doc, accepted, scrapped = row
    found = from_json(routing, _Chosen) if routing else None
    chosen = found.chosen if found else None
    if state != b"routed" or chosen is None or doc is None:
        return None
    job = from_json(doc, _HandedIn)
    return RoutedJob(
        job_id=job_id,
        attempt=int(attempt or 1),
        name=job.name,
        quantity=job.quantity,
        priority=job.priority,
        due_at=job.due_at,
        handed_in_at=float(created_at or 0.0),
        accepted=int(accepted or 0),
        scrapped=int(scrapped or 0),
        chosen=chosen,
        others=found.others if found else (),
    )


def unlist(pipe: Pipeline, keys: Keys, job_id: str, machine_id: str) -> None:
    """Queue a job's leaving its list, inside the caller's MULTI; the caller watches the job."""
    pipe.zrem(keys.dispatch_list(machine_id), job_id)
    pipe.hdel(keys.dispatch_entries(machine_id), job_id)
    pipe.hdel(keys.job(job_id), "list")
    pipe.hincrby(keys.dispatch_versions, machine_id, 1)


def _version(version: int | None) -> str:
    return "" if version is None else str(version)


def _bind_args(binding: Binding) -> list[Any]:
    entry = binding.listed.entry
    data = {
        "machine_id": binding.machine_id,
        "nozzle_id": entry.nozzle_id,
        "material_id": entry.material_id,
        "attempt": entry.attempt,
    }
    if binding.reason:
        data["reason"] = binding.reason
    return [
        entry.job_id,
        entry.attempt,
        binding.machine_id,
        repr(binding.listed.place),
        to_json(entry),
        entry.nozzle_id,
        entry.quantity,
        to_json(data),
        to_json(binding.routing) if binding.routing is not None else b"",
    ]
