"""Outcomes in Redis: kept, learnt, confirmed and withdrawn, each with its evidence in the same MULTI.

Sums only add, so outcomes that come in at the same time do not wait for each other; only what is read before it is
written (an outcome's state, a nozzle's wear, a spool's rest) is watched.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import redis
from redis.client import Pipeline

from workers.learning.intake import Change, admit, confirm, outcome_of, withdraw
from workers.model import ids
from workers.model.codec import from_json, to_json
from workers.model.errors import NotFoundError, VersionMismatchError
from workers.model.evidence import Delta
from workers.model.job import JobSpec
from workers.model.outcome import Outcome, OutcomeState, Report
from workers.model.record import Page
from workers.model.routing import MODEL_VERSION, Candidate
from workers.store.consumption import Consumption, give_back, take
from workers.store.events import add_event
from workers.store.evidence import add_evidence
from workers.store.fleet import write_thing
from workers.store.keys import Keys

Also = Callable[[Pipeline, Outcome], None]
Guard = Callable[[], None]
CHUNK = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeFilter:
    """None: any."""

    job_id: str | None = None
    machine_id: str | None = None
    nozzle_id: str | None = None
    material_id: str | None = None
    state: OutcomeState | None = None

    def takes(self, outcome: Outcome) -> bool:
        return all(getattr(outcome, name) == value for name, value in self.given())

    def given(self) -> list[tuple[str, str]]:
        """Field and value of what is asked for, the rarest first."""
        wanted = ((name, getattr(self, name)) for name in INDEXED)
        return [(name, value) for name, value in wanted if value is not None]


INDEXED = ("job_id", "nozzle_id", "machine_id", "material_id", "state")


class OutcomeRepository:
    """``clock`` gives UTC epoch seconds."""

    def __init__(self, client: redis.Redis, keys: Keys, clock: Callable[[], float] = time.time) -> None:
        self._redis, self._keys, self._clock = client, keys, clock

    def record(
        self,
        report: Report,
        spec: JobSpec,
        candidate: Candidate,
        *,
        job_id: str,
        at: float | None = None,
        model_version: str = MODEL_VERSION,
        spool_id: str | None = None,
        watch: Sequence[str] = (),
        guard: Guard = lambda: None,
        also: Also = lambda pipe, outcome: None,
    ) -> Outcome:
        """Keep and learn what became of one copy of ``spec`` printed as ``candidate`` of its routing; as :meth:`keep`.

        ``model_version``: of the routing. Raises InvalidError for a size that the job does not ask for.
        """
        moment = self._clock() if at is None else at
        outcome = outcome_of(
            report, spec, candidate, outcome_id=self.new_id(), job_id=job_id, at=moment, model_version=model_version
        )
        return self.keep(outcome, spool_id=spool_id, watch=watch, guard=guard, also=also)

    def keep(
        self,
        outcome: Outcome,
        *,
        spool_id: str | None = None,
        watch: Sequence[str] = (),
        guard: Guard = lambda: None,
        also: Also = lambda pipe, outcome: None,
    ) -> Outcome:
        """Keep a new outcome, learnt or flagged; in the same MULTI its evidence, wear, filament, event and history.

        ``watch``: the caller's own keys; ``guard`` runs once they are watched and raises where they do not allow it;
        ``also`` adds to the MULTI, given the outcome as it is kept. Raises InvalidError for a spool that cannot be.
        """
        change = admit(outcome)
        with self._redis.pipeline(transaction=True) as pipe:
            while True:
                try:
                    if watch:
                        pipe.watch(*watch)  # type: ignore[no-untyped-call]
                    guard()
                    taken = take(self._redis, pipe, self._keys, change.outcome, spool_id)
                    pipe.multi()
                    self._add_to_indexes(pipe, taken.outcome)
                    self._write(pipe, taken, change.deltas)
                    also(pipe, taken.outcome)
                    pipe.execute()
                except redis.WatchError:
                    continue
                return taken.outcome

    def confirm(self, outcome_id: str, expected: int | None = None, reason: str = "") -> Outcome:
        """Learn a flagged outcome after all. Raises NotFoundError, VersionMismatchError, ConflictError."""
        return self._move(outcome_id, expected, reason, confirm)

    def withdraw(self, outcome_id: str, expected: int | None = None, reason: str = "") -> Outcome:
        """Take an outcome back with its evidence, wear and filament. Raises as :meth:`confirm`."""
        return self._move(outcome_id, expected, reason, withdraw)

    def get(self, outcome_id: str) -> Outcome:
        """Raises NotFoundError."""
        raw: Any = self._redis.get(self._keys.outcome(outcome_id))
        if raw is None:
            raise NotFoundError(f"no outcome has the id {outcome_id!r}")
        return from_json(raw, Outcome)

    def page(self, wanted: OutcomeFilter | None = None, after: str | None = None, limit: int = 50) -> Page[Outcome]:
        """Outcomes newest first, older than the id ``after``."""
        found: list[Outcome] = []
        for outcome in self.newest_first(wanted, after, limit + 1):
            found.append(outcome)
            if len(found) > limit:
                return Page(tuple(found[:limit]), found[limit - 1].id)
        return Page(tuple(found), None)

    def newest_first(
        self, wanted: OutcomeFilter | None = None, after: str | None = None, chunk: int = CHUNK
    ) -> Iterator[Outcome]:
        """All outcomes that the filter takes, read ``chunk`` by ``chunk``; the last reported comes first."""
        wanted = wanted or OutcomeFilter()
        given = wanted.given()
        index = self._keys.outcomes_of(*given[0]) if given else self._keys.outcomes
        while True:
            top = "+" if after is None else f"({after}"
            found: Any = self._redis.zrevrangebylex(index, top, "-", start=0, num=chunk)
            if not found:
                return
            after = found[-1].decode()
            rows: Any = self._redis.mget([self._keys.outcome(raw.decode()) for raw in found])
            yield from (one for one in (from_json(raw, Outcome) for raw in rows if raw) if wanted.takes(one))

    def oldest_first(self, since: str, until: str, after: str | None = None, chunk: int = CHUNK) -> Iterator[Outcome]:
        """Outcomes with ids from ``since`` up to ``until`` (not included), behind ``after``, ``chunk`` by ``chunk``."""
        low = f"({after}" if after is not None and after >= since else f"[{since}"
        while True:
            found: Any = self._redis.zrangebylex(self._keys.outcomes, low, f"({until}", start=0, num=chunk)
            if not found:
                return
            rows: Any = self._redis.mget([self._keys.outcome(raw.decode()) for raw in found])
            yield from (from_json(raw, Outcome) for raw in rows if raw)
            low = f"({found[-1].decode()}"

    def new_id(self) -> str:
        return ids.encode(int(self._clock() * 1000), secrets.randbits(80))

    def _move(self, outcome_id: str, expected: int | None, reason: str, decide: Callable[[Outcome], Change]) -> Outcome:
        with self._redis.pipeline(transaction=True) as pipe:
            while True:
                try:
                    pipe.watch(self._keys.outcome(outcome_id))  # type: ignore[no-untyped-call]
                    before = self.get(outcome_id)
                    _require_version(before, expected)
                    change = decide(before)
                    moved = Consumption(change.outcome)
                    if change.outcome.state is OutcomeState.WITHDRAWN:
                        moved = give_back(self._redis, pipe, self._keys, change.outcome)
                    pipe.multi()
                    self._change_index(pipe, before, change.outcome)
                    self._write(pipe, moved, change.deltas, reason)
                    pipe.execute()
                except redis.WatchError:
                    continue
                return change.outcome

    def _write(self, pipe: Pipeline, of: Consumption, deltas: Sequence[Delta], reason: str = "") -> None:
        outcome, now = of.outcome, self._clock()
        pipe.set(self._keys.outcome(outcome.id), to_json(outcome))
        add_evidence(pipe, self._keys, deltas)
        for thing in of.things:
            write_thing(pipe, self._keys, "used", thing, now)
            pipe.incr(self._keys.revision)
        pipe.hincrby(self._keys.counters, f"outcomes_{outcome.state}", 1)
        data = event_data(outcome) | ({"reason": reason} if reason else {})
        add_event(pipe, self._keys, f"outcome.{outcome.state}", f"outcome/{outcome.id}", now, data)

    def _add_to_indexes(self, pipe: Pipeline, outcome: Outcome) -> None:
        pipe.zadd(self._keys.outcomes, {outcome.id: 0})
        for name in INDEXED:
            if value := getattr(outcome, name):
                pipe.zadd(self._keys.outcomes_of(name, value), {outcome.id: 0})

    def _change_index(self, pipe: Pipeline, before: Outcome, after: Outcome) -> None:
        pipe.zrem(self._keys.outcomes_of("state", before.state), before.id)
        pipe.zadd(self._keys.outcomes_of("state", after.state), {after.id: 0})


def event_data(outcome: Outcome) -> dict[str, Any]:
    """What an event says of an outcome."""
    data: dict[str, Any] = {
        "version": outcome.version,
        "job_id": outcome.job_id,
        "machine_id": outcome.machine_id,
        "nozzle_id": outcome.nozzle_id,
        "material_id": outcome.material_id,
        "accepted": outcome.accepted,
    }
    if outcome.scrap_reason is not None:
        data["scrap_reason"] = outcome.scrap_reason.value
    if outcome.flags:
        data["flags"] = list(outcome.flags)
    return data


def _require_version(outcome: Outcome, expected: int | None) -> None:
    if expected is not None and outcome.version != expected:
        raise VersionMismatchError(f"the version is {outcome.version} now, If-Match named {expected}")
