"""Bore trials in Redis: each one JSON document, changed by WATCH and MULTI; photographs beside it."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import redis
from redis.client import Pipeline

from workers.model import ids
from workers.model.codec import from_json, to_json
from workers.model.errors import ConflictError, FieldProblem, InvalidError, NotFoundError, VersionMismatchError
from workers.model.record import Page
from workers.model.trial import BoreTrial, Photo, TrialState
from workers.store.events import add_event
from workers.store.keys import Keys

MIB = 1024 * 1024
PHOTOS_LIMIT_BYTES = 64 * MIB  # of one trial: Redis keeps them in memory
Also = Callable[[Pipeline, BoreTrial], None]
Expected = Callable[[int], object]  # raises where the version is not the one that was seen
Decide = Callable[[BoreTrial], BoreTrial]


def subject_of(trial_id: str) -> str:
    return f"bore-trial/{trial_id}"


class TrialRepository:
    """``clock`` gives UTC epoch seconds."""

    def __init__(self, client: redis.Redis, keys: Keys, clock: Callable[[], float] = time.time) -> None:
        self._redis, self._keys, self._clock = client, keys, clock

    def new_id(self) -> str:
        return ids.encode(int(self._clock() * 1000), secrets.randbits(80))

    def now(self) -> float:
        return self._clock()

    def create(self, trial: BoreTrial, *, also: Callable[[Pipeline], None] = lambda _: None) -> BoreTrial:
        """Keep a new trial."""
        with self._redis.pipeline(transaction=True) as pipe:
            pipe.zadd(self._keys.bore_trials, {trial.id: 0})
            self.write(pipe, trial, "planned", {"name": trial.plan.name, "runs": len(trial.runs)})
            also(pipe)
            pipe.execute()
        return trial

    def get(self, trial_id: str) -> BoreTrial:
        """Raises NotFoundError."""
        raw: Any = self._redis.get(self._keys.bore_trial(trial_id))
        if raw is None:
            raise NotFoundError(f"no bore trial has the id {trial_id!r}")
        return from_json(raw, BoreTrial)

    def page(self, after: str | None = None, limit: int = 50) -> Page[BoreTrial]:
        """Trials newest first, older than the id ``after``."""
        top = "+" if after is None else f"({after}"
        found: Any = self._redis.zrevrangebylex(self._keys.bore_trials, top, "-", start=0, num=limit + 1)
        trial_ids = [raw.decode() for raw in found]
        rows: Any = self._redis.mget([self._keys.bore_trial(i) for i in trial_ids[:limit]]) if trial_ids else []
        trials = tuple(from_json(raw, BoreTrial) for raw in rows if raw is not None)
        return Page(trials, trial_ids[limit - 1] if len(trial_ids) > limit else None)

    def running(self) -> list[str]:
        """Ids of the trials that run."""
        found: Any = self._redis.smembers(self._keys.bore_trials_running)
        return sorted(raw.decode() for raw in found)

    def change(
        self,
        trial_id: str,
        verb: str,
        decide: Decide,
        *,
        expected: Expected | None = None,
        data: Mapping[str, Any] | None = None,
        also: Also = lambda pipe, trial: None,
    ) -> BoreTrial:
        """Apply ``decide`` (which raises where it cannot be) and raise the version; ``also`` adds to the MULTI.

        Raises NotFoundError, and what ``expected(version)`` and ``decide`` raise.
        """
        with self._redis.pipeline(transaction=True) as pipe:
            while True:
                try:
                    pipe.watch(self._keys.bore_trial(trial_id))  # type: ignore[no-untyped-call]
                    before = self.get(trial_id)
                    if expected is not None:
                        expected(before.version)
                    after = self.next_version(before, decide(before))
                    pipe.multi()
                    self.write(pipe, after, verb, data)
                    also(pipe, after)
                    pipe.execute()
                except redis.WatchError:
                    continue
                return after

    def next_version(self, before: BoreTrial, after: BoreTrial) -> BoreTrial:
        return replace(after, version=before.version + 1, updated_at=self._clock())

    def require_unchanged(self, trial: BoreTrial) -> None:
        """A guard for another repository's MULTI that watches the trial. Raises VersionMismatchError."""
        now = self.get(trial.id).version
        if now != trial.version:
            raise VersionMismatchError(f"the trial's version is {now} now, {trial.version} was seen")

    def write(self, pipe: Pipeline, trial: BoreTrial, verb: str, data: Mapping[str, Any] | None = None) -> None:
        """Queue the trial as it is to be kept, and its event, inside the caller's MULTI, which watches the trial."""
        pipe.set(self._keys.bore_trial(trial.id), to_json(trial))
        running = self._keys.bore_trials_running
        if trial.state is TrialState.RUNNING:
            pipe.sadd(running, trial.id)
        else:
            pipe.srem(running, trial.id)
        said = {"version": trial.version, **(data or {})}
        add_event(pipe, self._keys, f"bore-trial.{verb}", subject_of(trial.id), trial.updated_at, said)

    def put_photo(
        self, trial_id: str, number: int, photo: Photo | None, data: bytes, expected: Expected | None = None
    ) -> BoreTrial:
        """Keep a run's photograph in the place of the one before; None takes it away. Raises as :meth:`change`,
        InvalidError where the trial's photographs grow too large together."""
        name, field = self._keys.bore_trial_photos(trial_id), str(number)

        def decide(trial: BoreTrial) -> BoreTrial:
            if trial.state is TrialState.CANCELLED:
                raise ConflictError("the trial is cancelled")
            run = trial.run(number)
            others = [one.photo.size_bytes for one in trial.runs if one.photo is not None and one is not run]
            _require_room(others, len(data))
            return trial.with_run(replace(run, photo=photo))

        def also(pipe: Pipeline, _: BoreTrial) -> None:
            if photo is None:
                pipe.hdel(name, field)
            else:
                pipe.hset(name, field, data)

        verb = "photo-removed" if photo is None else "photo"
        return self.change(trial_id, verb, decide, expected=expected, data={"run": number}, also=also)

    def photo(self, trial_id: str, number: int) -> bytes:
        """Raises NotFoundError."""
        raw: Any = self._redis.hget(self._keys.bore_trial_photos(trial_id), str(number))
        if raw is None:
            raise NotFoundError(f"run {number} of the trial has no photograph")
        return bytes(raw)


def _require_room(others: Sequence[int], size: int) -> None:
    if sum(others) + size > PHOTOS_LIMIT_BYTES:
        detail = (
            f"the photographs of the trial would take {(sum(others) + size) / MIB:.1f} MiB; "
            f"the limit is {PHOTOS_LIMIT_BYTES // MIB} MiB"
        )
        raise InvalidError(detail, fields=(FieldProblem("", detail, "a smaller photograph"),))
