"""What reports are made from: read in chunks, so that a window of any length takes a bounded amount of memory."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import msgspec
import redis

from workers.model import ids
from workers.model.codec import from_json
from workers.model.dispatch import Claim
from workers.model.outcome import Outcome, OutcomeState
from workers.model.record import HistoryEntry, JobRecord
from workers.model.report import JobRow
from workers.model.routing import Candidate
from workers.store.claims import ClaimRepository
from workers.store.events import EventLog
from workers.store.jobs import JobRepository
from workers.store.keys import Keys
from workers.store.outcomes import OutcomeFilter, OutcomeRepository

AHEAD_S = 300.0  # how far the moment of an outcome may lie behind the moment it was reported; as at the intake
CHUNK = 200
ENDED = frozenset({"done", "scrapped"})
FIELDS = ("routing", "accepted", "scrapped", "list")


class _Chosen(msgspec.Struct):
    """The part of a routing that a row needs; the rest is skipped."""

    chosen: Candidate | None = None


class Reports:
    """``clock`` gives UTC epoch seconds."""

    def __init__(self, client: redis.Redis, keys: Keys, clock: Callable[[], float] = time.time) -> None:
        self._redis, self._keys, self._clock = client, keys, clock
        self._claims, self._events = ClaimRepository(client, keys), EventLog(client, keys)
        self._jobs, self._outcomes = JobRepository(client, keys, clock), OutcomeRepository(client, keys, clock)

    def history_into(self, machine_id: str, since: float) -> list[HistoryEntry]:
        """Back to the last line from before the window that tells the machine's state, oldest first."""
        lines: list[HistoryEntry] = []
        for line in self._events.history_newest_first(f"machine/{machine_id}"):
            lines.append(line)
            if line.at < since and "state" in line.data:
                break
        return lines[::-1]

    def printed_on(self, machine_id: str, since: float, until: float) -> Iterator[Outcome]:
        """Outcomes printed in the window; reported at any time after it."""
        for outcome in self._outcomes.newest_first(OutcomeFilter(machine_id=machine_id), chunk=CHUNK):
            if ids.millis_of(outcome.id) / 1000.0 < since - AHEAD_S:
                return
            if since <= outcome.at < until and outcome.state is not OutcomeState.WITHDRAWN:
                yield outcome

    def jobs(self, since: float, until: float, after: str | None = None) -> Iterator[JobRow]:
        """Jobs handed in in the window, oldest first, behind the id ``after``."""
        for chunk in _chunks(self._jobs.oldest_first(*_range(since, until), after, CHUNK)):
            with self._redis.pipeline(transaction=False) as pipe:
                for record in chunk:
                    pipe.hmget(self._keys.job(record.id), FIELDS)
                    pipe.lrange(self._keys.history(f"job/{record.id}"), 0, -1)
                answers = pipe.execute()
            for record, row, lines in zip(chunk, answers[::2], answers[1::2], strict=True):
                yield _job_row(record, row, sum(b'"kind":"job.moved"' in line for line in lines))

    def outcomes(self, since: float, until: float, after: str | None = None) -> Iterator[Outcome]:
        """Outcomes reported in the window, oldest first, behind the id ``after``."""
        return self._outcomes.oldest_first(*_range(since, until), after, CHUNK)

    def outcomes_of_job(self, job_id: str) -> Iterator[Outcome]:
        """The last reported first."""
        return self._outcomes.newest_first(OutcomeFilter(job_id=job_id))

    def claims_of_job(self, history: Sequence[HistoryEntry]) -> list[Claim]:
        """The claims that a job's history names, those still kept, in the order in which they were taken."""
        named = (str(line.data["claim_id"]) for line in history if "claim_id" in line.data)
        return self._claims.get_many(list(dict.fromkeys(named)))


def _range(since: float, until: float) -> tuple[str, str]:
    return ids.encode(round(since * 1000), 0), ids.encode(round(until * 1000), 0)


def _chunks(records: Iterator[JobRecord]) -> Iterator[list[JobRecord]]:
    chunk: list[JobRecord] = []
    for record in records:
        chunk.append(record)
        if len(chunk) == CHUNK:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def _job_row(record: JobRecord, row: Sequence[Any], moves: int) -> JobRow:
    routing, accepted, scrapped, machine = row
    chosen = from_json(routing, _Chosen).chosen if routing else None
    due_at, state = record.spec.due_at, record.state.value
    late = None if due_at is None or state not in ENDED else max(record.updated_at - due_at, 0.0) / 3600.0
    return JobRow(
        job_id=record.id,
        name=record.spec.name,
        state=state,
        reason=record.reason,
        handed_in_at=record.created_at,
        changed_at=record.updated_at,
        due_at=due_at,
        late_h=late,
        priority=record.spec.priority,
        quantity=record.spec.quantity,
        accepted=int(accepted or 0),
        scrapped=int(scrapped or 0),
        attempt=record.attempt,
        moves=moves,
        machine_id=machine.decode() if machine else (chosen.machine_id if chosen else None),
        nozzle_id=chosen.nozzle_id if chosen else None,
        material_id=chosen.material_id if chosen else None,
        bore_mm=chosen.bore_mm if chosen else None,
        bead_width_mm=chosen.bead_width_mm if chosen else None,
        layer_height_mm=chosen.layer_height_mm if chosen else None,
        print_h=chosen.print_h if chosen else None,
        material_g=chosen.material_g if chosen else None,
    )
