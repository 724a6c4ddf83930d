"""Finished claims become outcomes: each once, at the finish or, where that was cut off, by the watch."""

from __future__ import annotations

import logging
import time
from dataclasses import replace

import redis
from redis.client import Pipeline

from workers.model.codec import from_json
from workers.model.dispatch import Claim
from workers.model.errors import ConflictError, InvalidError, NotFoundError
from workers.model.fleet import Spool
from workers.model.job import JobSpec, JobState
from workers.model.outcome import Outcome, Report
from workers.model.routing import Candidate, Routing
from workers.routing.decide import Router
from workers.routing.printed import Printed, candidate_printed
from workers.store.stores import Stores
from workers.tasks.posed import PosedJob, posed_jobs

log = logging.getLogger("borewright.tasks")


BEING_ROUTED = frozenset({JobState.ACCEPTED, JobState.ANALYSING})


class _RecordedError(Exception):
    """Somebody else has recorded it."""


class _NotYetError(Exception):
    """The job is being routed again: what was foretold is known once it is."""


def record_outcomes(stores: Stores) -> int:
    """Record the outcome of every finished claim that has none yet; gives how many."""
    return sum(record_outcome(stores, claim_id) is not None for claim_id in stores.claims.to_report())


def record_outcome(stores: Stores, claim_id: str) -> Outcome | None:
    """The outcome of one finished claim; None where it has one already, or where nothing foretold such a print.

    The filament comes off the claim's spool in the same step, so once. What the claim had taken is in the claim; a
    report that cannot be learnt from stays with it.
    """
    name = stores.keys.claims_to_report
    claim = stores.claims.get(claim_id)

    def guard() -> None:
        if not stores.client.sismember(name, claim_id):
            raise _RecordedError

    def also(pipe: Pipeline, outcome: Outcome) -> None:
        pipe.srem(name, claim_id)
        pipe.hset(stores.keys.claim(claim_id), "outcome_id", outcome.id)

    try:
        spec, routing, candidate = _job(stores, claim)
        return stores.outcomes.record(
            _whole(from_json(claim.report, Report), claim, candidate),
            spec,
            candidate,
            job_id=claim.job_id,
            at=claim.ended_at,
            model_version=routing.model_version,
            spool_id=_spool_of(stores, claim),
            watch=[name],
            guard=guard,
            also=also,
        )
    except (_RecordedError, _NotYetError):
        return None
    except (ConflictError, InvalidError, NotFoundError) as error:
        log.warning("the report of claim %s is kept but not learnt: %s", claim_id, error.detail)
        stores.client.srem(name, claim_id)
        return None


def _whole(report: Report, claim: Claim, candidate: Candidate) -> Report:
    """A failed copy of which nobody said how much was extruded: the share of it that was last told."""
    if report.accepted or report.extruded_cm3 is not None:
        return report
    return replace(report, extruded_cm3=claim.progress * candidate.volume_cm3)


def _spool_of(stores: Stores, claim: Claim) -> str | None:
    """The claim's spool, unless it has left the shop or holds something else by now."""
    if claim.spool_id is None:
        return None
    try:
        spool = stores.fleet.get(Spool, claim.spool_id)
    except NotFoundError:
        return None
    return spool.id if spool.material_id == claim.material_id else None


def _job(stores: Stores, claim: Claim) -> tuple[JobSpec, Routing, Candidate]:
    """The job with its part, in the pose that was chosen, and what was foretold of this print.

    Raises NotFoundError, ConflictError, InvalidError, _NotYetError.
    """
    routing = stores.jobs.routing(claim.job_id)
    if routing is None and stores.jobs.get(claim.job_id).state in BEING_ROUTED:
        raise _NotYetError
    if routing is None:
        raise ConflictError("the job has no routing now")
    [posed] = posed_jobs(stores, [stores.jobs.get(claim.job_id).spec])
    if not isinstance(posed, PosedJob):
        raise posed
    name = None if routing.pose is None else routing.pose.name
    poses = [pose.name for pose in posed.poses]
    printed = Printed(machine_id=claim.machine_id, nozzle_id=claim.nozzle_id, material_id=claim.material_id)
    spec = posed.specs[poses.index(name) if name in poses else 0]
    candidate = candidate_printed(routing, printed) or _foretold_now(stores, spec, claim)
    if candidate is None:
        raise ConflictError("neither the job's routing nor today's shop has a candidate like this any more")
    return spec, routing, candidate


def _foretold_now(stores: Stores, spec: JobSpec, claim: Claim) -> Candidate | None:
    """What today's shop foretells of the claim's pairing: a routing made since may have no room to name it."""
    router = Router(stores.fleet.snapshot(), time.time())
    routing = router.route_on(spec, (claim.machine_id, claim.nozzle_id, claim.material_id))
    return None if routing is None else routing.chosen


def watch_claims(stores: Stores) -> bool:
    """Let lapse what is past its lease, and record what was left; for the watch. Gives whether anything was done."""
    try:
        return bool(stores.claims.lapse()) or bool(record_outcomes(stores))
    except redis.RedisError as error:
        log.warning("watching the claims was not possible now: %s", error)
        return False
