"""Line-up studies: the shop and the jobs of the mix are read, everything is scored, and the line-up searched for."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, replace

from workers.learning.ageing import DAY_S, HOUR_S, hour_of
from workers.model.codec import from_json, to_json
from workers.model.errors import InvalidError
from workers.model.job import JobSpec, JobState
from workers.model.lineup import LINE_UP_STUDY, LineUpRequest, LineUpResult, MixSource
from workers.model.long_task import LongTask
from workers.model.record import JobRecord
from workers.planning.lineup.mix import Entry
from workers.planning.lineup.study import study
from workers.store.stores import Stores
from workers.tasks.long_tasks import RUNNERS, Hand
from workers.tasks.posed import PosedJob, posed_jobs

ENTRIES_MOST = 2000  # of a mix: what a minute is enough for (measured)
PAGE = 200
HISTORY = frozenset(JobState) - {JobState.CANCELLED, JobState.FAILED}
QUEUE = frozenset({JobState.ACCEPTED, JobState.ROUTED, JobState.UNROUTABLE, JobState.BOUND})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """A job of the mix before its part is filled in."""

    spec: JobSpec
    count: int = 1
    slack_h: float = float("inf")
    job_id: str | None = None


def run_study(stores: Stores, task: LongTask, hand: Hand) -> bytes:
    """A long task's runner: the result as JSON. Raises InvalidError, ConflictError."""
    return to_json(study_now(stores, from_json(task.request, LineUpRequest), hand))


RUNNERS[LINE_UP_STUDY] = run_study


def study_now(stores: Stores, request: LineUpRequest, hand: Hand) -> LineUpResult:
    now = time.time()
    asked, window_h = _asked(stores, request, now)
    entries, left_out = _entries(stores, asked[:ENTRIES_MOST])
    if len(asked) > ENTRIES_MOST:
        left_out.append(f"jobs before the newest {ENTRIES_MOST}")
    return study(
        stores.fleet.snapshot(),
        replace(request, window_h=window_h, time_limit_s=hand.seconds_left),
        entries,
        left_out=left_out,
        now=hour_of(now),
        stop=lambda: hand.cancelled() or hand.seconds_left <= 0.0,
        tell=hand.tell,
    )


def _asked(stores: Stores, request: LineUpRequest, now: float) -> tuple[list[_Asked], float]:
    """The jobs, newest first, one more than fits if there are more; and the window."""
    if request.source is MixSource.FORECAST:
        return [_Asked(spec=one.job, count=one.count) for one in request.forecast], request.window_h
    if request.source is MixSource.QUEUE:
        waiting = _records(stores, QUEUE, 0.0)
        return [_of_record(one, now) for one in waiting], request.window_h
    found = list(_records(stores, HISTORY, now - request.history_days * DAY_S))
    window_s = request.history_days * DAY_S
    if len(found) > ENTRIES_MOST:
        window_s = now - found[ENTRIES_MOST - 1].created_at
    return [_of_record(one, one.created_at) for one in found], max(window_s / HOUR_S, 1.0)


def _records(stores: Stores, states: frozenset[JobState], since: float) -> Iterator[JobRecord]:
    after, count = None, 0
    while True:
        page = stores.jobs.page(None, after, PAGE)
        for record in page.items:
            if record.created_at < since:
                return
            if record.state in states:
                yield record
                count += 1
                if count > ENTRIES_MOST:
                    return
        after = page.next_cursor
        if after is None:
            return


def _of_record(record: JobRecord, moment: float) -> _Asked:
    due = record.spec.due_at
    slack_h = float("inf") if due is None else max(due - moment, 0.0) / HOUR_S
    return _Asked(spec=record.spec, slack_h=slack_h, job_id=record.id)


def _entries(stores: Stores, asked: list[_Asked]) -> tuple[list[Entry], list[str]]:
    """With their parts; and why those are left out that have none."""
    entries, left_out = [], []
    for one, job in zip(asked, posed_jobs(stores, [one.spec for one in asked]), strict=True):
        if isinstance(job, InvalidError):
            left_out.append(f"{one.spec.name}: {job.detail}"[:200])
        else:
            spec = _pose(stores, one.job_id, job)
            entries.append(Entry(spec=spec, count=one.count, slack_h=one.slack_h, job_id=one.job_id))
    return entries, left_out[:50]


def _pose(stores: Stores, job_id: str | None, job: PosedJob) -> JobSpec:
    """As it was routed, where several poses were compared; else as it was given."""
    routing = stores.jobs.routing(job_id) if job.poses and job_id is not None else None
    return job.spec_of(routing) if routing is not None else job.specs[0]
