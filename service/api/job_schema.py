"""A job as it is handed in. Ranges are engineering priors unless a standard is named."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from service.api.fields import Choice, Flag, Identifier, ListOf, Moment, Note, Number, PartId, Refused, Text, Whole
from service.api.part_schema import LONGEST_MM, SummarySchema
from service.api.schema import Record, RecordSchema
from workers.model.errors import FieldProblem, InvalidError
from workers.model.job import (
    CriticalDetail,
    Emphasis,
    JobSpec,
    Limits,
    MaterialNeed,
    Mating,
    OpenTolerance,
    PlaceNeed,
    ToleranceNeed,
    Use,
    closed_tolerances,
)
from workers.model.part import Axis, FeatureKind, GeometrySummary
from workers.process.limits import NoSuchLimitsError, limits_of

WAYS = ("limits", "iso286", "iso2768", "mating")


class LimitsSchema(RecordSchema):
    makes = Limits
    lower_mm = Number(0.001, LONGEST_MM, "mm")
    upper_mm = Number(0.001, LONGEST_MM, "mm")

    def rules(self, record: Any) -> list[FieldProblem]:
        return _order(record.lower_mm, record.upper_mm, "lower_mm", "upper_mm")


class MatingSchema(RecordSchema):
    makes = Mating
    mate_mm = Number(0.01, LONGEST_MM, "mm", description="Size of the part that goes in, or around")
    clearance_min_mm = Number(-5, 50, "mm")
    clearance_max_mm = Number(-5, 50, "mm")

    def rules(self, record: Any) -> list[FieldProblem]:
        return _order(record.clearance_min_mm, record.clearance_max_mm, "clearance_min_mm", "clearance_max_mm")


def _order(low: float, high: float, low_name: str, high_name: str) -> list[FieldProblem]:
    if low < high:
        return []
    return [FieldProblem(f"/{high_name}", f"it is not above {low_name}", f"more than {low:g} mm")]


class ToleranceSchema(RecordSchema):
    """One toleranced size; exactly one of limits, iso286, iso2768 and mating. Where ``name`` is that of a feature
    of the summary, kind, nominal_mm, axis and facets are taken from there unless given."""

    makes = OpenTolerance
    name = Text(80)
    kind = Choice(FeatureKind)
    nominal_mm = Number(0.01, LONGEST_MM, "mm")
    axis = Choice(Axis)
    facets = Whole(3, 100_000)
    limits = Record(LimitsSchema)
    iso286 = Text(4, r"^[A-Za-z]{1,2}[0-9]{1,2}$", "an ISO 286-1 class, as H11 or h9", example="H11")
    iso2768 = Text(1, r"^[fmcv]$", "an ISO 2768-1 class: f, m, c or v", example="m")
    mating = Record(MatingSchema)

    def rules(self, record: Any) -> list[FieldProblem]:
        given = [way for way in WAYS if getattr(record, way) is not None]
        if len(given) == 1:
            return []
        found = "none" if not given else " and ".join(given)
        return [FieldProblem("", f"{found} of the ways to state limits is given", f"exactly one of {', '.join(WAYS)}")]


class CriticalSchema(RecordSchema):
    makes = CriticalDetail
    name = Text(80)
    kind = Choice(FeatureKind)
    size_mm = Number(0.05, 100, "mm", description="A bead wider than this is refused")


class MaterialNeedSchema(RecordSchema):
    """Materials named outright, properties that one must have, or both; empty: any material of the shop."""

    makes = MaterialNeed
    material_ids = ListOf(Identifier(), most=100)
    tensile_strength_min_mpa = Number(0, 500, "MPa")
    heat_deflection_min_c = Number(0, 500, "degrees C")
    flexible = Flag()
    fibre_filled = Flag()


class EmphasisSchema(RecordSchema):
    """Weights of the four scores, used divided by their sum."""

    makes = Emphasis
    detail = Number(0, 1000)
    fit = Number(0, 1000)
    clog = Number(0, 1000)
    time = Number(0, 1000)

    def rules(self, record: Any) -> list[FieldProblem]:
        if record.detail + record.fit + record.clog + record.time > 0:
            return []
        return [FieldProblem("", "all four weights are 0", "at least one above 0")]


class UseSchema(RecordSchema):
    """How the part will be used: brings gates and cautions, never a promise of fitness."""

    makes = Use
    load_bearing = Flag()
    food_contact = Flag()
    mains_powered = Flag()


class PlaceNeedSchema(RecordSchema):
    """The one machine and nozzle that may print the job; with a bead, the nearest of the bore's grid."""

    makes = PlaceNeed
    machine_id = Identifier()
    nozzle_id = Identifier()
    bead_width_mm = Number(0.08, 4, "mm")
    layer_height_mm = Number(0.02, 2, "mm")

    def rules(self, record: Any) -> list[FieldProblem]:
        width, height = record.bead_width_mm, record.layer_height_mm
        if (width is None) != (height is None):
            missing = "bead_width_mm" if width is None else "layer_height_mm"
            return [FieldProblem(f"/{missing}", "bead_width_mm and layer_height_mm go together: give both, or neither")]
        if width is not None and height > width:
            most = f"0.02 to {width:g} mm (bead_width_mm)"
            return [FieldProblem("/layer_height_mm", "a layer is no higher than its bead is wide", most)]
        return []


class JobSchema(RecordSchema):
    """A job; exactly one of summary and part_id says what the part is."""

    makes = JobSpec
    part_elsewhere: ClassVar[bool] = False
    name = Text(120)
    summary = Record(SummarySchema, description="The part; null where part_id names it")
    part_id = PartId(description="A part of /v1/parts; null where summary is given. One still being analysed will do")
    material = Record(MaterialNeedSchema)
    tolerances = ListOf(Record(ToleranceSchema), most=200)
    critical = ListOf(Record(CriticalSchema), most=200)
    emphasis = Record(EmphasisSchema, description="null: the shop's default weights")
    use = Record(UseSchema)
    quantity = Whole(1, 100_000)
    shells = Whole(1, 50)
    infill = Number(0, 1)
    due_at = Moment()
    priority = Whole(-100, 100, description="Higher goes first")
    note = Note(2000)
    place = Record(PlaceNeedSchema, description="null: any machine and nozzle")

    def _take_fields(self, data: dict[str, Any]) -> tuple[dict[str, Any], list[FieldProblem]]:
        values, problems = super()._take_fields(data)
        return values, problems + _one_part(data, self.part_elsewhere)

    def build(self, values: dict[str, Any]) -> JobSpec:
        given, summary = values.pop("tolerances", ()), values.get("summary")
        if summary is None:
            return JobSpec(open_tolerances=given, **values)
        return JobSpec(tolerances=resolve(given, summary), **values)


class UploadedJobSchema(JobSchema):
    """A job whose mesh comes in the same request."""

    part_elsewhere = True


def state_one_part(schemas: dict[str, Any]) -> None:
    """Says in the OpenAPI schemas what :func:`_one_part` checks: exactly one of summary and part_id, the other null.

    By if, then and else: makers of clients pass over these, and would take anyOf or oneOf for two kinds of job.
    """
    null, more = {"type": "null"}, {"additionalProperties": True}  # said outright: some readers take none for false
    schemas["Job"] |= {
        "if": {"required": ["part_id"], "properties": {"part_id": {"type": "string"}}} | more,
        "then": {"properties": {"summary": null}} | more,
        "else": {"required": ["summary"], "properties": {"summary": {"type": "object"}}} | more,
    }
    schemas["UploadedJob"]["properties"] |= {"summary": null, "part_id": null}


def _one_part(data: Mapping[str, Any], elsewhere: bool) -> list[FieldProblem]:
    """A job has one part: by its summary, by its id, or by a file beside it."""
    named = [name for name in ("summary", "part_id") if data.get(name) is not None]
    if elsewhere:
        return [FieldProblem(f"/{name}", "the part is the file of this request", "left out") for name in named]
    if not named:
        return [FieldProblem("/summary", "this is missing, and so is part_id", "one of summary and part_id")]
    if len(named) > 1:
        return [FieldProblem("/part_id", "summary is given too", "one of summary and part_id")]
    return []


def resolve(given: tuple[OpenTolerance, ...], summary: GeometrySummary) -> tuple[ToleranceNeed, ...]:
    """Tolerances with what their features say, each with limits that the tables hold. Raises Refused."""
    try:
        needs = closed_tolerances(given, summary)
    except InvalidError as error:
        raise Refused(error.fields) from None
    problems = [
        FieldProblem(f"/tolerances/{index}{one.pointer}", one.detail, one.allowed)
        for index, need in enumerate(needs)
        for one in _limit_problems(need)
    ]
    if problems:
        raise Refused(problems)
    return needs


def _limit_problems(need: ToleranceNeed) -> tuple[FieldProblem, ...]:
    try:
        limits_of(need)
    except NoSuchLimitsError as error:
        return error.fields
    return ()
