"""From a report to an outcome: found in the job's routing, or foreseen on the pairing that was named."""

from __future__ import annotations

import time
from dataclasses import replace

from service.api.fields import Refused
from service.api.moments import format_moment
from service.api.outcome_schema import BEAD, PAIRING, OutcomeReport
from service.api.pairings import require_pairing
from service.api.part_jobs import with_part
from service.api.schema import summary_of
from service.context import context, stores
from workers.learning.ageing import hour_of
from workers.learning.intake import outcome_of
from workers.model.errors import FieldProblem, InvalidError, NotFoundError
from workers.model.job import JobSpec, ToleranceNeed
from workers.model.outcome import MeasuredSize, Outcome, Report
from workers.model.part import Axis
from workers.model.routing import Candidate, Routing
from workers.model.shop import Shop
from workers.routing.printed import FreeSize, Printed, candidate_printed, foreseen_sizes, free_size, pairing_named

AHEAD_S = 300.0  # how far the clocks of two computers may be apart; engineering prior


def outcome_from(body: OutcomeReport) -> Outcome:
    """Raises InvalidError with pointers into the body."""
    now = time.time()
    at = now if body.at is None else body.at
    if at > now + AHEAD_S:
        raise _invalid("/at", "this is still to come", f"up to {format_moment(now)}")
    if body.job_id is None:
        return _free_print(body, at, {})
    spec, routing = _job(body.job_id)
    candidate = None if routing is None else candidate_printed(routing, _printed(body))
    if candidate is None or routing is None:
        _require_whole(body, routing)
        return _free_print(body, at, _needs(spec))
    return _as_routed(body, at, spec, candidate, routing.model_version)


def _as_routed(body: OutcomeReport, at: float, spec: JobSpec, candidate: Candidate, model_version: str) -> Outcome:
    needs = _needs(spec)
    _require_known_sizes(body, needs)
    asked = tuple((one.name, one.measured_mm) for one in body.sizes if not one.is_free)
    outcome = outcome_of(
        _report(body, asked),
        spec,
        candidate,
        outcome_id=stores().outcomes.new_id(),
        job_id=body.job_id or "",
        at=at,
        model_version=model_version,
    )
    free = _free_sizes(body)
    if not free:
        return outcome
    shop = context().shop.newest()
    require_pairing(shop, outcome.machine_id, outcome.nozzle_id, outcome.material_id)
    return replace(outcome, sizes=outcome.sizes + _foreseen(shop, outcome, free))


def _free_print(body: OutcomeReport, at: float, needs: dict[str, ToleranceNeed]) -> Outcome:
    """A print that no routing spoke of: its sizes, clogs and scrap teach, its hours say nothing."""
    _require_known_sizes(body, needs)
    shop, named = context().shop.newest(), _printed(body)
    if named.bead_width_mm is None or named.layer_height_mm is None:
        raise _invalid("/bead_width_mm", "this is missing")
    machine, nozzle, material = require_pairing(
        shop, named.machine_id or "", named.nozzle_id or "", named.material_id or ""
    )
    outcome = Outcome(
        id=stores().outcomes.new_id(),
        job_id=body.job_id or "",
        at=at,
        machine_id=machine.id,
        nozzle_id=nozzle.id,
        material_id=material.id,
        bore_mm=nozzle.bore_mm,
        bead_width_mm=named.bead_width_mm,
        layer_height_mm=named.layer_height_mm,
        accepted=body.accepted,
        scrap_reason=body.scrap_reason,
        note=body.note,
        clogs=body.clogs,
        print_h=body.print_h,
        extruded_cm3=body.extruded_cm3 or 0.0,
    )
    asked = tuple(free_size(needs[one.name], one.measured_mm) for one in body.sizes if not one.is_free)
    return replace(outcome, sizes=_foreseen(shop, outcome, asked + _free_sizes(body)))


def _foreseen(shop: Shop, outcome: Outcome, sizes: tuple[FreeSize, ...]) -> tuple[MeasuredSize, ...]:
    pairing = pairing_named(shop, outcome.machine_id, outcome.nozzle_id, outcome.material_id, hour_of(time.time()))
    return foreseen_sizes(shop, pairing, outcome.bead_width_mm, sizes)


def _job(job_id: str) -> tuple[JobSpec, Routing | None]:
    """The job as it was routed, with its part filled in, in the pose that was chosen."""
    try:
        record, routing = stores().jobs.get(job_id), stores().jobs.routing(job_id)
    except NotFoundError as error:
        raise _invalid("/job_id", error.detail) from None
    return with_part(record, routing).spec, routing


def _require_whole(body: OutcomeReport, routing: Routing | None) -> None:
    """Raises InvalidError: what the routing does not say must be said in the report."""
    missing = [name for name in (*PAIRING, *BEAD) if getattr(body, name) is None]
    if not missing:
        return
    why = "the job has no routing" if routing is None else "the job's routing has no candidate like this"
    problems = [FieldProblem(f"/{name}", f"this is missing: {why}") for name in missing]
    raise InvalidError(summary_of(Refused(problems)), fields=tuple(problems))


def _require_known_sizes(body: OutcomeReport, needs: dict[str, ToleranceNeed]) -> None:
    allowed = ", ".join(needs) or "none: the job has no toleranced size"
    problems = [
        FieldProblem(
            f"/sizes/{i}/name", "is no toleranced size of the job, and kind and nominal_mm are left out", allowed
        )
        for i, one in enumerate(body.sizes)
        if not one.is_free and one.name not in needs
    ]
    if problems:
        raise InvalidError(summary_of(Refused(problems)), fields=tuple(problems))


def _needs(spec: JobSpec) -> dict[str, ToleranceNeed]:
    return {need.name: need for need in spec.tolerances}


def _free_sizes(body: OutcomeReport) -> tuple[FreeSize, ...]:
    return tuple(
        FreeSize(
            name=one.name,
            kind=one.kind,
            nominal_mm=one.nominal_mm,
            measured_mm=one.measured_mm,
            axis=one.axis or Axis.VERTICAL,
            facets=one.facets,
            lower_mm=one.lower_mm,
            upper_mm=one.upper_mm,
        )
        for one in body.sizes
        if one.kind is not None and one.nominal_mm is not None
    )


def _report(body: OutcomeReport, sizes: tuple[tuple[str, float], ...]) -> Report:
    return Report(
        accepted=body.accepted,
        scrap_reason=body.scrap_reason,
        note=body.note,
        clogs=body.clogs,
        print_h=body.print_h,
        extruded_cm3=body.extruded_cm3,
        sizes=sizes,
    )


def _printed(body: OutcomeReport) -> Printed:
    return Printed(**{name: getattr(body, name) for name in (*PAIRING, *BEAD)})


def _invalid(pointer: str, detail: str, allowed: str | None = None) -> InvalidError:
    return InvalidError(f"{pointer}: {detail}", fields=(FieldProblem(pointer, detail, allowed),))
