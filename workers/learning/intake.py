"""Outcomes coming in: made from a report, judged, turned into sums, confirmed or withdrawn. Pure.

Each change of state returns the outcome as it is to be kept and the deltas to add to the evidence, so that
both can be written together. What was added is taken back by the same whole numbers.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from scipy.special import stdtr

from workers.model.errors import ConflictError, FieldProblem, InvalidError
from workers.model.evidence import Delta, EvidenceKey, Sums, bore_um, negative
from workers.model.job import JobSpec
from workers.model.outcome import Expected, MeasuredSize, Outcome, OutcomeState, Report, ScrapReason
from workers.model.routing import MODEL_VERSION, Candidate
from workers.model.words import hours

# Engineering priors: where an outcome counts as out of line.
TAIL = 1e-3  # chance, both sides together, of a size or a time this far from what was expected
OTHER_SIZE_MM, OTHER_SIZE_SHARE = 1.0, 0.1  # further from the nominal than both: another feature was measured
VOLUME_FACTOR = 2.0  # a finished copy does not take half or twice the volume expected
TIME_FACTOR = 2.5  # nor so many times the hours expected, nor so small a share of them

MODELLED = (ScrapReason.CLOG, ScrapReason.SIZE)  # scrap that the clog and fit models answer for
UNFINISHED = (ScrapReason.CLOG, ScrapReason.CAME_LOOSE, ScrapReason.BROKE)  # its hours say nothing

_PPM, _PER_MM = 1e6, 1e4  # units of the sums (ours)


@dataclass(frozen=True, slots=True)
class Change:
    """The outcome as it is to be kept, and what to add to the evidence."""

    outcome: Outcome
    deltas: tuple[Delta, ...]


def outcome_of(
    report: Report,
    spec: JobSpec,
    candidate: Candidate,
    *,
    outcome_id: str,
    job_id: str,
    at: float,
    model_version: str = MODEL_VERSION,
) -> Outcome:
    """The outcome of one copy of ``spec`` printed as ``candidate`` of its routing; ``admit`` it next.

    Raises InvalidError where a measured size is not one of the job's toleranced sizes.
    """
    whole = candidate.volume_cm3 if report.accepted else 0.0
    return Outcome(
        id=outcome_id,
        job_id=job_id,
        at=at,
        machine_id=candidate.machine_id,
        nozzle_id=candidate.nozzle_id,
        material_id=candidate.material_id,
        bore_mm=candidate.bore_mm,
        bead_width_mm=candidate.bead_width_mm,
        layer_height_mm=candidate.layer_height_mm,
        accepted=report.accepted,
        scrap_reason=report.scrap_reason,
        note=report.note,
        clogs=report.clogs,
        print_h=report.print_h,
        extruded_cm3=whole if report.extruded_cm3 is None else report.extruded_cm3,
        sizes=_sizes(report, spec, candidate),
        expected=_expected(candidate, model_version),
    )


def admit(outcome: Outcome) -> Change:
    """A new outcome: learnt, or flagged and kept out where it is out of line."""
    flags = tuple(out_of_line(outcome))
    if flags:
        return Change(replace(outcome, state=OutcomeState.FLAGGED, flags=flags), ())
    return Change(replace(outcome, state=OutcomeState.LEARNT), sums_of(outcome))


def confirm(outcome: Outcome) -> Change:
    """A flagged outcome that is right after all: learnt now. Raises ConflictError in any other state."""
    if outcome.state is not OutcomeState.FLAGGED:
        raise ConflictError(f"outcome {outcome.id!r} is {outcome.state}: only a flagged one can be confirmed")
    return Change(_moved(outcome, OutcomeState.CONFIRMED), sums_of(outcome))


def withdraw(outcome: Outcome) -> Change:
    """Take an outcome back, exactly. Raises ConflictError where it is withdrawn already."""
    if outcome.state is OutcomeState.WITHDRAWN:
        raise ConflictError(f"outcome {outcome.id!r} is withdrawn already")
    learnt = outcome.state in (OutcomeState.LEARNT, OutcomeState.CONFIRMED)
    deltas = tuple((key, negative(sums)) for key, sums in sums_of(outcome)) if learnt else ()
    return Change(_moved(outcome, OutcomeState.WITHDRAWN), deltas)


def sums_of(outcome: Outcome) -> tuple[Delta, ...]:
    """What the outcome adds to the evidence: one key for the pairing, one for each kind of size measured."""
    key = pairing_key(outcome)
    deltas = [(key, _print_sums(outcome))]
    for size in outcome.sizes:
        if size.prior_mean_mm is not None:
            error = round((size.measured_mm - size.prior_mean_mm) * _PER_MM)
            sums = Sums(sized=1, size_100nm=error, size_100nm2=error * error)
            deltas.append((replace(key, kind=size.kind, axis=size.axis), sums))
    return tuple(deltas)


def out_of_line(outcome: Outcome) -> Iterator[str]:
    """Why the outcome does not fit what was expected; nothing if it does."""
    for size in outcome.sizes:
        yield from _size_flags(size)
    expected, ratio = outcome.expected, ln_time_ratio(outcome)
    if expected is None:
        return
    if ratio is not None and outcome.print_h is not None:
        surprise = ratio - math.log(expected.print_h / expected.prior_print_h)
        unlikely = _tail(surprise / expected.print_ln_scale, expected.print_dof) < TAIL
        if unlikely or abs(surprise) > math.log(TIME_FACTOR):
            yield f"took {hours(outcome.print_h)}, {hours(expected.print_h)} were expected"
    if outcome.accepted and outcome.extruded_cm3 > 0.0 and expected.volume_cm3 > 0.0:
        share = outcome.extruded_cm3 / expected.volume_cm3
        if not 1.0 / VOLUME_FACTOR <= share <= VOLUME_FACTOR:
            yield f"extruded {outcome.extruded_cm3:.1f} cm³, {expected.volume_cm3:.1f} cm³ were expected"


def ln_time_ratio(outcome: Outcome) -> float | None:
    """ln(actual hours / physics), None where the print was not timed to its end."""
    expected, finished = outcome.expected, outcome.accepted or outcome.scrap_reason not in UNFINISHED
    if expected is None or not outcome.print_h or outcome.clogs or not finished:
        return None
    return math.log(outcome.print_h / expected.prior_print_h)


def _size_flags(size: MeasuredSize) -> Iterator[str]:
    off = abs(size.measured_mm - size.nominal_mm)
    if off > OTHER_SIZE_MM and off > OTHER_SIZE_SHARE * size.nominal_mm:
        yield f"{size.name}: {size.measured_mm:.3f} mm is no {size.nominal_mm:.3f} mm: was another feature measured?"
    elif size.expected_mean_mm is not None and size.expected_scale_mm and size.expected_dof:
        far = (size.measured_mm - size.expected_mean_mm) / size.expected_scale_mm
        if _tail(far, size.expected_dof) < TAIL:
            yield f"{size.name}: measured {size.measured_mm:.3f} mm, {size.expected_mean_mm:.3f} mm was expected"


def _tail(far: float, dof: float) -> float:
    """Chance, both sides together, of being this many scales away."""
    return 2.0 * float(stdtr(dof, -abs(far)))


def _moved(outcome: Outcome, state: OutcomeState) -> Outcome:
    return replace(outcome, state=state, version=outcome.version + 1)


def pairing_key(outcome: Outcome) -> EvidenceKey:
    return EvidenceKey(
        machine_id=outcome.machine_id,
        nozzle_id=outcome.nozzle_id,
        material_id=outcome.material_id,
        bore_um=bore_um(outcome.bore_mm),
    )


def _print_sums(outcome: Outcome) -> Sums:
    ratio = ln_time_ratio(outcome)
    ppm = 0 if ratio is None else round(ratio * _PPM)
    return Sums(
        prints=1,
        scrapped=int(not outcome.accepted and outcome.scrap_reason not in MODELLED),
        clogs=outcome.clogs,
        volume_ul=round(outcome.extruded_cm3 * 1000.0),
        timed=int(ratio is not None),
        ln_time_ppm=ppm,
        ln_time_ppm2=ppm * ppm,
    )


def _sizes(report: Report, spec: JobSpec, candidate: Candidate) -> tuple[MeasuredSize, ...]:
    needs = {need.name: i for i, need in enumerate(spec.tolerances)}
    return tuple(_size(spec, candidate, needs, at, name, measured) for at, (name, measured) in enumerate(report.sizes))


def _size(
    spec: JobSpec, candidate: Candidate, needs: dict[str, int], at: int, name: str, measured_mm: float
) -> MeasuredSize:
    if name not in needs:
        allowed = ", ".join(needs) or "none: the job has no toleranced size"
        problem = FieldProblem(f"/sizes/{at}/name", "is not a toleranced size of the job", allowed)
        raise InvalidError(f"the job has no toleranced size {name!r}", fields=(problem,))
    need, fit = spec.tolerances[needs[name]], candidate.fits[needs[name]]
    return MeasuredSize(
        name=name,
        kind=need.kind,
        axis=need.axis,
        nominal_mm=need.nominal_mm,
        measured_mm=measured_mm,
        lower_mm=fit.lower_mm,
        upper_mm=fit.upper_mm,
        prior_mean_mm=fit.prior_mean_mm,
        prior_scale_mm=fit.prior_scale_mm,
        expected_mean_mm=fit.mean_mm,
        expected_scale_mm=fit.scale_mm,
        expected_dof=fit.dof,
        expected_probability=fit.probability,
    )


def _expected(candidate: Candidate, model_version: str) -> Expected | None:
    grounds = candidate.grounds
    if grounds.time_dof <= 0.0:
        return None  # routed by a model that kept no grounds
    return Expected(
        print_h=candidate.print_h,
        print_ln_scale=grounds.time_ln_scale,
        print_dof=grounds.time_dof,
        prior_print_h=candidate.print_h / grounds.time_factor,
        volume_cm3=candidate.volume_cm3,
        clog_risk=candidate.clog_risk,
        prior_clog_per_cm3=grounds.prior_clog_per_cm3,
        good_share=candidate.good_share,
        model_version=model_version,
    )
