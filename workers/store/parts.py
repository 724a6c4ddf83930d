"""Parts in Redis, by content: handed in, read, listed, deleted. How they are analysed: ``analyses.py``."""

from __future__ import annotations

import time
import uuid
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import redis
from redis.client import Pipeline

from workers.model.codec import from_json, to_json
from workers.model.errors import ConflictError, InvalidError, NotFoundError, UnavailableError
from workers.model.part import GeometrySummary
from workers.model.part_record import (
    AS_GIVEN,
    MeshOptions,
    PartPose,
    PartProblem,
    PartRecord,
    PartState,
)
from workers.model.record import Page
from workers.store.events import add_event
from workers.store.keys import Keys
from workers.store.origin import with_origin
from workers.store.uploads import Upload, content_id

MIB = 1024 * 1024
STAGED_S = 600  # how long bytes stay whose keeping broke off
HEAD = (
    "state",
    "version",
    "name",
    "options",
    "size_bytes",
    "created_at",
    "updated_at",
    "attempt",
    "phase",
    "percent",
    "problem",
)
# These depend on how busy the machine was, so the same bytes may be given another try; the others do not.
MAY_PASS = frozenset({"mesh-time", "mesh-memory", "mesh-crashed"})
Also = Callable[[Pipeline, PartRecord], None]


class PartRepository:
    """``clock`` gives UTC epoch seconds. Past ``limit`` parts, or ``limit_bytes`` of meshes, that wait for their
    analysis no other is accepted."""

    def __init__(
        self,
        client: redis.Redis,
        keys: Keys,
        clock: Callable[[], float] = time.time,
        limit: int = 200,
        limit_bytes: int = 512 * MIB,
    ) -> None:
        self._redis, self._keys, self._clock, self._limit, self._limit_bytes = client, keys, clock, limit, limit_bytes

    def put(self, upload: Upload, *, also: Also | None = None) -> PartRecord:
        """Keep a mesh and queue it, unless it is known. ``also`` may add to the MULTI, given the part as it then is.

        Raises UnavailableError when too many wait.
        """
        return self._put(upload.id, lambda pipe, known: self.write(pipe, upload, known), also)

    def put_summary(self, summary: GeometrySummary, name: str = "", *, also: Also | None = None) -> PartRecord:
        """Keep a summary made by hand: a part that is analysed already."""
        part_id = content_id("summary", b"", to_json(summary))

        def write(pipe: Pipeline, known: PartRecord | None) -> PartRecord:
            return known or self._write_summary(pipe, part_id, summary, name)

        return self._put(part_id, write, also)

    def _put(
        self, part_id: str, write: Callable[[Pipeline, PartRecord | None], PartRecord], also: Also | None
    ) -> PartRecord:
        with self._redis.pipeline(transaction=True) as pipe:
            while True:
                try:
                    pipe.watch(self._keys.part(part_id))  # type: ignore[no-untyped-call]
                    known = self.heads([part_id])[0]
                    pipe.multi()
                    part = write(pipe, known)
                    if also is not None:
                        also(pipe, part)
                    pipe.execute()
                except redis.WatchError:
                    continue
                return part

    def write(self, pipe: Pipeline, upload: Upload, known: PartRecord | None) -> PartRecord:
        """Queue what an upload needs inside the caller's MULTI, which watches the part; gives the part as it then is.

        Raises UnavailableError when too many wait.
        """
        if known is not None and not _another_try(known):
            return known
        self._require_room(upload.size_bytes)
        now, redis_now = self._clock(), self._redis_time()
        part = PartRecord(
            id=upload.id,
            state=PartState.ACCEPTED,
            version=1 if known is None else known.version + 1,
            name=upload.name if known is None else known.name,
            options=upload.options,
            size_bytes=upload.size_bytes,
            created_at=now if known is None else known.created_at,
            updated_at=now,
            phase="waiting",
        )
        self._write_head(pipe, part, new=known is None)
        staged = self._staged(upload)
        pipe.rename(staged, self._keys.part_mesh(part.id))
        pipe.persist(self._keys.part_mesh(part.id))
        pipe.zadd(self._keys.parts_waiting, {part.id: redis_now})
        pipe.hset(self._keys.parts_waiting_bytes, part.id, upload.size_bytes)
        return part

    def _staged(self, upload: Upload) -> str:
        """The bytes under a key of their own, block by block, so that the MULTI has only to rename it."""
        name = self._keys.part_staged(uuid.uuid4().hex)
        for block in upload.blocks():
            with self._redis.pipeline(transaction=False) as pipe:
                pipe.append(name, block)
                pipe.expire(name, STAGED_S)
                pipe.execute()
        return name

    def _write_summary(self, pipe: Pipeline, part_id: str, summary: GeometrySummary, name: str) -> PartRecord:
        now = self._clock()
        part = PartRecord(
            id=part_id,
            state=PartState.ANALYSED,
            version=1,
            name=name,
            options=None,
            size_bytes=0,
            created_at=now,
            updated_at=now,
            phase="done",
            percent=100.0,
            poses=(PartPose(name=AS_GIVEN, summary=summary),),
        )
        self._write_head(pipe, part, new=True)
        pipe.hset(self._keys.part(part_id), "poses", to_json(part.poses))
        return part

    def _write_head(self, pipe: Pipeline, part: PartRecord, *, new: bool) -> None:
        name = self._keys.part(part.id)
        values: dict[Any, Any] = {
            "state": part.state.value,
            "version": part.version,
            "name": part.name,
            "options": to_json(part.options),
            "size_bytes": part.size_bytes,
            "created_at": repr(part.created_at),
            "updated_at": repr(part.updated_at),
            "attempt": 0,
            "phase": part.phase,
            "percent": part.percent,
        }
        if new:
            values["listed"] = listed = f"{int(part.created_at * 1000):015d}{part.id}"
            pipe.zadd(self._keys.parts, {listed: 0})
        pipe.hset(name, mapping=values)
        pipe.hdel(name, "problem", "poses")
        data = with_origin({"name": part.name, "size_bytes": part.size_bytes})
        add_event(pipe, self._keys, f"part.{part.state.value}", f"part/{part.id}", part.updated_at, data)

    def _require_room(self, size: int) -> None:
        sizes: Any = self._redis.hvals(self._keys.parts_waiting_bytes)
        count, kept = len(sizes), sum(map(int, sizes))
        if count >= self._limit:
            raise UnavailableError(f"{count} parts wait for their analysis and the limit is {self._limit}; try again")
        if count and kept + size > self._limit_bytes:
            raise UnavailableError(
                f"{kept / MIB:.0f} MiB of meshes wait for their analysis and the limit is "
                f"{self._limit_bytes / MIB:.0f} MiB; try again"
            )

    def _redis_time(self) -> float:
        """The store's clock: claims of all hosts are measured by it."""
        seconds, micros = self._redis.time()
        return float(seconds + micros / 1e6)

    def get(self, part_id: str) -> PartRecord:
        """Raises NotFoundError."""
        row: Any = self._redis.hmget(self._keys.part(part_id), (*HEAD, "poses"))
        if row[0] is None:
            raise NotFoundError(f"no part has the id {part_id!r}")
        poses = from_json(row[-1], tuple[PartPose, ...]) if row[-1] else ()
        return replace(_head(part_id, row[:-1]), poses=poses)

    def heads(self, part_ids: Sequence[str]) -> list[PartRecord | None]:
        """The parts without their poses; None for an unknown one."""
        with self._redis.pipeline(transaction=False) as pipe:
            for part_id in part_ids:
                pipe.hmget(self._keys.part(part_id), HEAD)
            rows = pipe.execute()
        return [None if row[0] is None else _head(i, row) for i, row in zip(part_ids, rows, strict=True)]

    def poses(self, part_ids: Sequence[str]) -> list[bytes | None]:
        """The poses of each part as JSON; None where it is not analysed."""
        with self._redis.pipeline(transaction=False) as pipe:
            for part_id in part_ids:
                pipe.hget(self._keys.part(part_id), "poses")
            return list(pipe.execute())

    def page(self, after: str | None = None, limit: int = 50) -> Page[PartRecord]:
        """Parts without their poses, newest first, behind the cursor ``after``."""
        top = "+" if after is None else f"({after}"
        found: Any = self._redis.zrevrangebylex(self._keys.parts, top, "-", start=0, num=limit + 1)
        listed = [raw.decode() for raw in found]
        parts = tuple(part for part in self.heads([one[15:] for one in listed[:limit]]) if part is not None)
        return Page(parts, listed[limit - 1] if len(listed) > limit else None)

    def mesh(self, part_id: str) -> bytes | None:
        """The file's bytes; None once it is analysed."""
        raw: Any = self._redis.get(self._keys.part_mesh(part_id))
        return raw if raw is None else bytes(raw)

    def display(self, part_id: str) -> bytes | None:
        """What the part looks like (see ``geometry.display``); None where it was not drawn."""
        raw: Any = self._redis.get(self._keys.part_display(part_id))
        return raw if raw is None else bytes(raw)

    def delete(self, part_id: str, expected: Callable[[int], object]) -> None:
        """Raises NotFoundError, ConflictError while a job refers to it, and what ``expected(version)`` raises."""
        name, jobs = self._keys.part(part_id), self._keys.part_jobs(part_id)
        with self._redis.pipeline(transaction=True) as pipe:
            while True:
                try:
                    pipe.watch(name, jobs)  # type: ignore[no-untyped-call]
                    part = self.heads([part_id])[0]
                    if part is None:
                        raise NotFoundError(f"no part has the id {part_id!r}")
                    expected(part.version)
                    self._require_unused(jobs)
                    listed = self._redis.hget(name, "listed")
                    pipe.multi()
                    pipe.zrem(self._keys.parts, listed or "")
                    pipe.zrem(self._keys.parts_waiting, part_id)
                    pipe.hdel(self._keys.parts_waiting_bytes, part_id)
                    pipe.delete(name, self._keys.part_mesh(part_id), self._keys.part_display(part_id))
                    add_event(pipe, self._keys, "part.deleted", f"part/{part_id}", self._clock())
                    pipe.execute()
                except redis.WatchError:
                    continue
                return

    def _require_unused(self, jobs: str) -> None:
        count = int(self._redis.scard(jobs))
        if count:
            some: Any = self._redis.srandmember(jobs, 5)
            names = ", ".join(sorted(raw.decode() for raw in some))
            raise ConflictError(f"{count} jobs refer to the part ({names}{' ...' if count > 5 else ''})")


def require_usable(part: PartRecord | None, part_id: str) -> PartRecord:
    """Raises InvalidError where a job cannot be made of the part: it is unknown, or was refused."""
    if part is None:
        raise InvalidError(f"no part has the id {part_id!r}")
    if part.state is PartState.REFUSED:
        raise InvalidError(f"the part was refused: {part.problem.detail if part.problem else part.state}")
    return part


def _another_try(known: PartRecord) -> bool:
    return known.state is PartState.REFUSED and known.problem is not None and known.problem.slug in MAY_PASS


def _head(part_id: str, row: Sequence[bytes | None]) -> PartRecord:
    state, version, name, options, size, created, updated, attempt, phase, percent, problem = row
    return PartRecord(
        id=part_id,
        state=PartState((state or b"").decode()),
        version=int(version or 1),
        name=(name or b"").decode(),
        options=from_json(options or b"null", MeshOptions | None),  # type: ignore[arg-type]
        size_bytes=int(size or 0),
        created_at=float(created or 0),
        updated_at=float(updated or 0),
        attempt=int(attempt or 0),
        phase=(phase or b"").decode(),
        percent=float(percent or 0),
        problem=from_json(problem, PartProblem) if problem else None,
    )
