"""Bore trials: runs handed in as jobs, each machine's in the drawn order, whenever the one before has ended."""

from __future__ import annotations

import logging
from dataclasses import replace

import redis
from redis.client import Pipeline

from workers.geometry import gauge_piece
from workers.model.errors import BorewrightError, VersionMismatchError
from workers.model.job import JobState
from workers.model.shop import Shop
from workers.model.trial import BoreTrial, TrialRun, TrialState
from workers.planning.trials.release import due_runs, in_the_way, run_spec
from workers.store.jobs import new_ids
from workers.store.stores import Stores
from workers.tasks.routing import ring

log = logging.getLogger("borewright.tasks")

OVER = frozenset({JobState.DONE, JobState.SCRAPPED, JobState.CANCELLED})
STUCK = frozenset({JobState.UNROUTABLE, JobState.FAILED})
TRIES = 5  # of a trial that others change meanwhile; the watch comes again

_nothing_due: dict[tuple[str, str], tuple[int, int, frozenset[str]]] = {}  # what a trial looked like when nothing was


def watch_trials(stores: Stores) -> bool:
    """Hand in what is due in every running trial; for the watch. Gives whether anything was."""
    try:
        return sum(advance_trial(stores, trial_id) for trial_id in stores.trials.running()) > 0
    except (redis.RedisError, BorewrightError) as error:
        log.warning("handing in the runs of trials was not possible now: %s", error)
        return False


def advance_trial(stores: Stores, trial_id: str) -> int:
    """Hand in the runs that are due, each once, whoever else tries; gives how many."""
    for _ in range(TRIES):
        trial = stores.trials.get(trial_id)
        due = _due(stores, trial) if trial.state is TrialState.RUNNING else []
        if not due:
            return 0
        try:
            _hand_in(stores, trial, due)
        except VersionMismatchError:
            continue
        except BorewrightError as error:  # the inbox is full, the part is gone: the watch tries again
            log.warning("runs of trial %s are not handed in: %s", trial_id, error.detail)
            return 0
        ring(stores)
        return len(due)
    return 0


def ended_jobs(stores: Stores, trial: BoreTrial) -> set[str]:
    """Jobs of runs without a result that will not be printed any more."""
    open_ids = [run.job_id for run in trial.runs if run.job_id is not None and run.result is None]
    records = stores.jobs.get_many(open_ids) if open_ids else []
    return {job_id for job_id, one in zip(open_ids, records, strict=True) if one is None or one.state in OVER}


def _due(stores: Stores, trial: BoreTrial) -> list[TrialRun]:
    """The runs that are due. The shop is read only when it, the trial or its jobs have changed since the last look."""
    name, ended = (stores.keys.shop, trial.id), frozenset(ended_jobs(stores, trial))
    looks = (trial.version, stores.fleet.revision(), ended)
    if _nothing_due.get(name) == looks:
        return []
    shop = stores.fleet.snapshot()
    due = due_runs(trial, ended, shop)
    if not due:
        _retry_stuck(stores, trial, shop)
        _nothing_due[name] = looks
    return due


def _retry_stuck(stores: Stores, trial: BoreTrial, shop: Shop) -> None:
    """Runs that could not be routed when they were handed in, and can be now."""
    open_runs = [run for run in trial.runs if run.job_id is not None and run.result is None]
    records = stores.jobs.get_many([run.job_id or "" for run in open_runs]) if open_runs else []
    for run, record in zip(open_runs, records, strict=True):
        if record is not None and record.state in STUCK and not in_the_way(run, shop):
            try:
                stores.jobs.retry(record.id)
            except BorewrightError as error:
                log.info("job %s went on by itself: %s", record.id, error.detail)
            else:
                ring(stores)


def _hand_in(stores: Stores, trial: BoreTrial, due: list[TrialRun]) -> None:
    """Jobs and trial in one MULTI. Raises VersionMismatchError where the trial was changed meanwhile."""
    gauge = gauge_piece.summary()
    after = trial
    job_ids = new_ids(len(due), stores.trials.now())
    for run, job_id in zip(due, job_ids, strict=True):
        after = after.with_run(replace(run, job_id=job_id))
    after = stores.trials.next_version(trial, after)
    data = {"runs": [run.number for run in due], "jobs": job_ids}

    def also(pipe: Pipeline, _: list[JobState]) -> None:
        stores.trials.write(pipe, after, "handed-in", data)

    stores.jobs.hand_in(
        [run_spec(trial, run, gauge if trial.printed(run) is None else None) for run in due],
        job_ids,
        watch=[stores.keys.bore_trial(trial.id)],
        guard=lambda: stores.trials.require_unchanged(trial),
        also=also,
    )


def cancel_open_jobs(stores: Stores, trial: BoreTrial, reason: str) -> None:
    """Take the runs that are not printed yet off the dispatch lists."""
    for run in trial.runs:
        if run.job_id is not None and run.result is None:
            cancel_job(stores, run.job_id, reason)


def cancel_job(stores: Stores, job_id: str, reason: str) -> None:
    """Where it can still be; what prints or has ended stays as it is."""
    try:
        stores.jobs.cancel(job_id, reason=reason)
    except BorewrightError as error:
        log.info("job %s stays: %s", job_id, error.detail)
