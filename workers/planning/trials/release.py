"""Which runs are handed in now: each machine's in the drawn order, as its nozzles are mounted. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from workers.model.fleet import MachineState
from workers.model.job import JobSpec, Limits, OpenTolerance, PlaceNeed, ToleranceNeed
from workers.model.part import FeatureKind, GeometrySummary
from workers.model.shop import Shop
from workers.model.trial import BoreTrial, Measure, TrialRun
from workers.planning.trials.foreseen import piece_spec


@dataclass(frozen=True, slots=True, kw_only=True)
class Next:
    """What a machine prints next for the trial. job_id: it is handed in; waits_for: what must be done first."""

    machine_id: str
    number: int
    nozzle_id: str
    material_id: str
    bore_mm: float
    spool_id: str | None
    job_id: str | None
    waits_for: str


def due_runs(trial: BoreTrial, ended: Collection[str], shop: Shop) -> list[TrialRun]:
    """Runs to hand in: the next of each machine, up to ``plan.ahead``, as far as nothing is in the way.

    ``ended``: jobs that will not be printed any more.
    """
    due = []
    for machine_id in trial.plan.machine_ids:
        for run in list(_open(trial, machine_id, ended))[: trial.plan.ahead]:
            if run.job_id is None and in_the_way(run, shop):
                break
            if run.job_id is None:
                due.append(run)
    return due


def next_of(trial: BoreTrial, ended: Collection[str], shop: Shop) -> tuple[Next, ...]:
    """The next open run of each machine."""
    found = []
    for machine_id in trial.plan.machine_ids:
        run = next(_open(trial, machine_id, ended), None)
        if run is not None:
            found.append(
                Next(
                    machine_id=machine_id,
                    number=run.number,
                    nozzle_id=run.nozzle_id,
                    material_id=run.material_id,
                    bore_mm=run.bore_mm,
                    spool_id=run.spool_id,
                    job_id=run.job_id,
                    waits_for="" if run.job_id else in_the_way(run, shop),
                )
            )
    return tuple(found)


def run_spec(trial: BoreTrial, run: TrialRun, piece: GeometrySummary | None) -> JobSpec:
    """The run as a job that only its own pairing can print. ``piece`` None: the run's part, by its id."""
    place = PlaceNeed(
        machine_id=run.machine_id,
        nozzle_id=run.nozzle_id,
        bead_width_mm=run.bead_width_mm,
        layer_height_mm=run.layer_height_mm,
    )
    spec = piece_spec(trial.plan, piece, run.material_id, place, trial.printed(run))
    sizes = [measure for measure in trial.plan.measures if measure.has_limits and measure.is_on(run)]
    return JobSpec(
        name=f"{trial.plan.name[:80]}, run {run.number} of {len(trial.runs)}",
        material=spec.material,
        summary=spec.summary,
        part_id=spec.part_id,
        tolerances=tuple(map(_need, sizes)) if piece is not None else (),
        open_tolerances=() if piece is not None else tuple(map(_open_need, sizes)),
        emphasis=spec.emphasis,
        shells=spec.shells,
        infill=spec.infill,
        note=f"Bore trial {trial.id}: {run.bore_mm:g} mm, spool {run.spool_id or 'of your choice'}.",
        place=place,
    )


def _open(trial: BoreTrial, machine_id: str, ended: Collection[str]) -> Iterator[TrialRun]:
    return (
        run
        for run in trial.runs
        if run.machine_id == machine_id and run.result is None and (run.job_id is None or run.job_id not in ended)
    )


def in_the_way(run: TrialRun, shop: Shop) -> str:
    """What keeps the run from being printed now; nothing: it can be."""
    machine = next((one for one in shop.machines if one.id == run.machine_id), None)
    nozzle = next((one for one in shop.nozzles if one.id == run.nozzle_id), None)
    if machine is None or nozzle is None:
        return f"{run.machine_id if machine is None else run.nozzle_id} is not in the shop any more"
    if machine.state is not MachineState.UP:
        return f"bring {machine.name} up"
    if nozzle.machine_id != machine.id:
        return f"mount {nozzle.name} on {machine.name}"
    return ""


def _need(measure: Measure) -> ToleranceNeed:
    return ToleranceNeed(
        name=measure.name,
        kind=measure.feature or FeatureKind.LENGTH,
        nominal_mm=measure.nominal_mm or 0.0,
        axis=measure.axis,
        facets=measure.facets,
        limits=Limits(lower_mm=measure.lower_mm or 0.0, upper_mm=measure.upper_mm or 0.0),
    )


def _open_need(measure: Measure) -> OpenTolerance:
    need = _need(measure)
    return OpenTolerance(
        name=need.name,
        kind=need.kind,
        nominal_mm=need.nominal_mm,
        axis=need.axis,
        facets=need.facets,
        limits=need.limits,
    )
