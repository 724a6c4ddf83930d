"""A job as it is handed in. Ranges are engineering priors unless a standard is named."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.api.fields import Choice, Flag, Identifier, ListOf, Moment, Note, Number, Refused, Text, Whole
from service.api.part_schema import LONGEST_MM, SummarySchema
from service.api.schema import Record, RecordSchema
from workers.model.errors import FieldProblem
from workers.model.job import (
    CriticalDetail,
    Emphasis,
    JobSpec,
    Limits,
    MaterialNeed,
    Mating,
    ToleranceNeed,
    Use,
)
from workers.model.part import Axis, Feature, FeatureKind, GeometrySummary
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


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenTolerance:
    """A tolerance need before it has taken over what its feature says."""

    name: str
    kind: FeatureKind | None = None
    nominal_mm: float | None = None
    axis: Axis | None = None
    facets: int | None = None
    limits: Limits | None = None
    iso286: str | None = None
    iso2768: str | None = None
    mating: Mating | None = None

    def resolved(self, feature: Feature | None) -> ToleranceNeed:
        """Raises Refused, with pointers relative to the tolerance."""
        kind, nominal = self._inherited(feature)
        return ToleranceNeed(
            name=self.name,
            kind=kind,
            nominal_mm=nominal,
            axis=self.axis or (feature.axis if feature else Axis.VERTICAL),
            facets=self.facets or (feature.facets if feature else None),
            limits=self.limits,
            iso286=self.iso286,
            iso2768=self.iso2768,
            mating=self.mating,
        )

    def _inherited(self, feature: Feature | None) -> tuple[FeatureKind, float]:
        kind = self.kind or (feature.kind if feature else None)
        nominal = self.nominal_mm or (feature.nominal_mm if feature else None)
        if kind is None or nominal is None:
            missing = [name for name, value in (("kind", kind), ("nominal_mm", nominal)) if value is None]
            detail = f"this is missing, and the summary has no feature called {self.name!r} to take it from"
            raise Refused([FieldProblem(f"/{name}", detail) for name in missing])
        return kind, nominal


class ToleranceSchema(RecordSchema):
    """One toleranced size; exactly one of limits, iso286, iso2768 and mating. Where ``name`` is that of a feature
    of the summary, kind, nominal_mm, axis and facets are taken from there unless given."""

    makes = GivenTolerance
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


class JobSchema(RecordSchema):
    makes = JobSpec
    name = Text(120)
    summary = Record(SummarySchema)
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

    def build(self, values: dict[str, Any]) -> JobSpec:
        if given := values.get("tolerances"):
            values["tolerances"] = resolve(given, values["summary"])
        return JobSpec(**values)


def resolve(given: tuple[GivenTolerance, ...], summary: GeometrySummary) -> tuple[ToleranceNeed, ...]:
    """Tolerances with what their features say, each with limits that the tables hold. Raises Refused."""
    features = {feature.name: feature for feature in summary.features}
    needs: list[ToleranceNeed] = []
    problems: list[FieldProblem] = []
    for index, tolerance in enumerate(given):
        try:
            needs.append(_with_limits(tolerance.resolved(features.get(tolerance.name))))
        except Refused as refused:
            problems += refused.under(index)
    if problems:
        raise Refused([FieldProblem(f"/tolerances{one.pointer}", one.detail, one.allowed) for one in problems])
    return tuple(needs)


def _with_limits(need: ToleranceNeed) -> ToleranceNeed:
    try:
        limits_of(need)
    except NoSuchLimitsError as error:
        raise Refused(error.fields) from None
    return need
