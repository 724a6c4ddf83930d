"""How bore trials look from outside."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

import marshmallow as ma
from flask import Response

from service.api.answers import answer, plain
from service.api.described import reads_back, schema_of
from service.api.etags import etag_of
from service.api.fields import Moment
from service.api.moments import format_moment
from service.api.trial_schema import MeasureSchema, RunSizeSchema, TrialPlanSchema
from service.exports import csv_table
from workers.model.codec import to_json
from workers.model.shop import Shop
from workers.model.trial import (
    BoreTrial,
    Measure,
    MeasureKind,
    RunResult,
    RunSize,
    TrialPlan,
    TrialRun,
    TrialState,
)
from workers.planning.trials.foretold import Estimate, Power, estimate_of, power_of_trial
from workers.planning.trials.release import Next


@dataclass(frozen=True, slots=True, kw_only=True)
class WholeTrial(BoreTrial):
    """The record with what it takes and what it can show."""

    estimate: Estimate
    power: Power


@dataclass(frozen=True, slots=True, kw_only=True)
class NextRuns:
    """What each machine prints next for the trial."""

    items: tuple[Next, ...]


reads_back(Measure, MeasureSchema)
reads_back(RunSize, RunSizeSchema)
reads_back(TrialPlan, TrialPlanSchema)
WholeTrialSchema = schema_of(WholeTrial)
NextRunsSchema = schema_of(NextRuns)
RunSchema = schema_of(TrialRun)


class TrialBriefSchema(ma.Schema):
    """A trial in a list."""

    class Meta:
        unknown = ma.RAISE

    id = ma.fields.String(required=True)
    name = ma.fields.String(required=True)
    state = ma.fields.Enum(TrialState, by_value=True, required=True)
    version = ma.fields.Integer(required=True)
    bores_mm = ma.fields.List(ma.fields.Float(), required=True)
    runs = ma.fields.Integer(required=True)
    results = ma.fields.Integer(required=True)
    created_at = Moment(required=True)
    updated_at = Moment(required=True)


def location_of(trial_id: str) -> str:
    return f"/v1/bore-trials/{trial_id}"


def whole(trial: BoreTrial) -> dict[str, Any]:
    values = {one.name: getattr(trial, one.name) for one in fields(BoreTrial)}
    made = WholeTrial(**values, estimate=estimate_of(trial.runs), power=power_of_trial(trial.plan, trial.runs))
    body: dict[str, Any] = plain(made)
    return body


def brief(trial: BoreTrial) -> dict[str, Any]:
    return {
        "id": trial.id,
        "name": trial.plan.name,
        "state": trial.state.value,
        "version": trial.version,
        "bores_mm": list(trial.plan.bores_mm),
        "runs": len(trial.runs),
        "results": sum(1 for _ in trial.measured()),
        "created_at": format_moment(trial.created_at),
        "updated_at": format_moment(trial.updated_at),
    }


def run_answer(trial: BoreTrial, number: int) -> Response:
    """One run, under the trial's version. Raises NotFoundError."""
    return answer(to_json(plain(trial.run(number))), etag=etag_of(trial.version))


def material_names(shop: Shop) -> dict[str, str]:
    return {material.id: material.name for material in shop.materials}


def results_csv(trial: BoreTrial) -> bytes:
    """One row a run, one column a measure. Kept is 1, lost 0, not looked at empty."""
    measures = [one for one in trial.plan.measures if one.kind in (MeasureKind.SIZE, MeasureKind.KEPT)]
    head = ["run", "block", "replicate", "machine", "nozzle", "material", "spool", "bore_mm", "bead_width_mm"]
    head += ["layer_height_mm", "part", "accepted", "clogs", "print_h", *(one.name for one in measures)]
    return csv_table(head, (_run_cells(run, [one.name for one in measures]) for run in trial.runs))


def _run_cells(run: TrialRun, names: list[str]) -> list[Any]:
    cells: list[Any] = [run.number, run.block, run.replicate, run.machine_id, run.nozzle_id, run.material_id]
    cells += [run.spool_id, run.bore_mm, run.bead_width_mm, run.layer_height_mm, run.part_id]
    return [*cells, *_result_cells(run.result, names)]


def _result_cells(result: RunResult | None, names: list[str]) -> Iterator[Any]:
    if result is None:
        yield from [None] * (3 + len(names))
        return
    yield from (int(result.accepted), result.clogs, result.print_h)
    sizes = {one.name: one.measured_mm for one in result.sizes}
    for name in names:
        yield sizes.get(name, 1 if name in result.kept else 0 if name in result.lost else None)
