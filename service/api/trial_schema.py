"""A bore trial as it is defined, and the result of a run as it is reported. Ranges are engineering priors."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

from service.api.fields import (
    Choice,
    Flag,
    Identifier,
    ListOf,
    Moment,
    Note,
    Number,
    Numbers,
    PartId,
    Refused,
    Text,
    Whole,
)
from service.api.part_schema import LONGEST_MM
from service.api.schema import Record, RecordSchema
from workers.model.errors import FieldProblem
from workers.model.job import ToleranceNeed
from workers.model.outcome import ScrapReason
from workers.model.part import Axis, FeatureKind
from workers.model.trial import EPSILON_MM, Measure, MeasureKind, RunSize, TrialPlan
from workers.planning.trials.measures import gauge_measures, of_parts
from workers.process.limits import NoSuchLimitsError, limits_of

COMBINATIONS = 144
PARTS_MOST = 6
NAME_LONGEST = 100  # of a measure: 80 as it is given, and its part's number


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureBody:
    """As a Measure; ``iso286``: the limits by their class."""

    name: str
    kind: MeasureKind
    use: str = ""
    feature: FeatureKind | None = None
    nominal_mm: float | None = None
    axis: Axis = Axis.VERTICAL
    facets: int | None = None
    lower_mm: float | None = None
    upper_mm: float | None = None
    series: str = ""
    spread: float | None = None
    matters: float | None = None
    part_id: str | None = None
    iso286: str | None = None


class MeasureSchema(RecordSchema):
    """Something looked at on every run, or on those of one part. A size needs feature and nominal_mm; limits make it a
    use that is judged."""

    makes = MeasureBody
    name = Text(80)
    kind = Choice(MeasureKind)
    use = Note(120, description="What it stands for, as in 'sliding fit on the 8 mm pin'; said in the verdict")
    feature = Choice(FeatureKind)
    nominal_mm = Number(0.01, LONGEST_MM, "mm", description="Size as drawn; of a graded feature its grade")
    axis = Choice(Axis)
    facets = Whole(3, 100_000)
    lower_mm = Number(0.001, LONGEST_MM, "mm")
    upper_mm = Number(0.001, LONGEST_MM, "mm")
    series = Note(40, description="Graded features of one kind share it")
    spread = Number(
        0.0001, 10, description="Expected standard deviation of equal runs: mm, or of ln hours; null: prior"
    )
    matters = Number(0.0001, 10, description="Smallest difference worth knowing: mm, or of ln hours; null: prior")
    part_id = PartId(description="One of part_ids; null, with several parts: one such measure for each of them")
    iso286 = Text(4, r"^[A-Za-z]{1,2}[0-9]{1,2}$", "an ISO 286-1 class, as H11 or h9", example="H11")

    def rules(self, record: Any) -> list[FieldProblem]:
        return [*_size_rules(record), *_limit_rules(record)]

    def build(self, values: dict[str, Any]) -> Measure:
        body: MeasureBody = super().build(values)
        named = {one.name: getattr(body, one.name) for one in fields(Measure)}
        if body.iso286 is not None:
            named |= _class_limits(body)
        return Measure(**named | {"use": body.use or body.name})


def _size_rules(record: MeasureBody) -> Iterator[FieldProblem]:
    if record.kind is not MeasureKind.SIZE:
        for name in ("lower_mm", "upper_mm", "iso286"):
            if getattr(record, name) is not None:
                yield FieldProblem(f"/{name}", "only a size has limits", "null")
        return
    for name in ("feature", "nominal_mm"):
        if getattr(record, name) is None:
            yield FieldProblem(f"/{name}", "this is missing: a size says what is measured and how large it is drawn")


def _limit_rules(record: MeasureBody) -> Iterator[FieldProblem]:
    low, high = record.lower_mm, record.upper_mm
    if (low is None) != (high is None):
        yield FieldProblem("/lower_mm" if low is None else "/upper_mm", "limits go together: give both, or neither")
    elif low is not None and high is not None and low >= high:
        yield FieldProblem("/upper_mm", "it is not above lower_mm", f"more than {low:g} mm")
    if record.iso286 is not None and low is not None:
        yield FieldProblem("/iso286", "the limits are given too", "one of iso286 and lower_mm with upper_mm")


def _class_limits(body: MeasureBody) -> dict[str, Any]:
    """Raises Refused where the standard has no such limits."""
    need = ToleranceNeed(
        name=body.name, kind=body.feature or FeatureKind.HOLE, nominal_mm=body.nominal_mm or 0.0, iso286=body.iso286
    )
    try:
        limits = limits_of(need)
    except NoSuchLimitsError as error:
        raise Refused(error.fields) from None
    return {"lower_mm": limits.lower_mm, "upper_mm": limits.upper_mm}


class TrialPlanSchema(RecordSchema):
    """A trial. Without a part, the built-in gauge piece is printed and its own measures are taken unless others are
    given."""

    makes = TrialPlan
    name = Text(120)
    bores_mm = Numbers(0.1, 2, "mm", least=2, most=6, rising=True, description="Bores compared, rising")
    material_ids = ListOf(Identifier(), least=1, most=6)
    machine_ids = ListOf(Identifier(), least=1, most=12)
    part_id = PartId(description="An analysed part of /v1/parts in one pose; null: the built-in gauge piece")
    part_ids = ListOf(PartId(), most=PARTS_MOST, description="Instead: several, each printed with every bore")
    nozzle_ids = ListOf(Identifier(), most=60, description="Nozzles that may be used; none: any with one of the bores")
    replicates = Whole(1, 20, description="How often each machine prints its bores in each material")
    runs_per_replicate = Whole(2, 6, description="Bores in one replicate; null: all. Fewer: incomplete blocks")
    seed = Whole(0, 2_147_483_647, description="Draws the order; the same seed draws the same order again")
    measures = ListOf(Record(MeasureSchema), most=60)
    width_to_bore = Number(0.9, 1.25, description="Bead width over bore; the nearest bead of the bore's grid is taken")
    layer_to_bore = Number(0.2, 0.75, description="Layer height over bore")
    shells = Whole(1, 50)
    infill = Number(0, 1)
    wanted_share = Number(0.5, 0.99, description="Share of copies that must be good for a bore to hold a use")
    ahead = Whole(1, 50, description="Runs of one machine handed in at the same time; 1 keeps the drawn order")
    note = Note(2000)

    def rules(self, record: Any) -> list[FieldProblem]:
        return [
            *_repeats(record),
            *_measure_rules(record),
            *_part_rules(record),
            *_bore_rules(record),
            *_size_of_trial(record),
        ]

    def build(self, values: dict[str, Any]) -> TrialPlan:
        if not values.get("measures") and values.get("part_id") is None and not values.get("part_ids"):
            values = {**values, "measures": gauge_measures()}
        values = {**values, "measures": of_parts(values.get("measures", ()), values.get("part_ids", ()))}
        plan: TrialPlan = super().build(values)
        return plan


def _repeats(record: TrialPlan) -> Iterator[FieldProblem]:
    for name in ("material_ids", "machine_ids", "nozzle_ids", "part_ids"):
        given = getattr(record, name)
        for i, one in enumerate(given):
            if one in given[:i]:
                yield FieldProblem(f"/{name}/{i}", f"{one!r} is named twice", "each once")


def _size_of_trial(record: TrialPlan) -> Iterator[FieldProblem]:
    """Each combination is scored when the trial is laid out: some milliseconds of work."""
    combinations = len(record.bores_mm) * len(record.machine_ids) * len(record.material_ids) * len(record.pieces)
    if combinations > COMBINATIONS:
        detail = f"bores times machines times materials times parts make {combinations} combinations"
        yield FieldProblem("/machine_ids", detail, f"up to {COMBINATIONS}")


def _part_rules(record: TrialPlan) -> Iterator[FieldProblem]:
    if record.part_ids and record.part_id is not None:
        yield FieldProblem("/part_id", "part_ids are given too", "one of part_id and part_ids")
    for i, one in enumerate(record.measures):
        if one.part_id is not None and one.part_id not in record.pieces:
            allowed = ", ".join(part for part in record.pieces if part) or "null"
            yield FieldProblem(f"/measures/{i}/part_id", "the trial does not print that part", allowed)


def _bore_rules(record: TrialPlan) -> Iterator[FieldProblem]:
    for i, (one, other) in enumerate(zip(record.bores_mm, record.bores_mm[1:], strict=False)):
        if other - one < 2.0 * EPSILON_MM:
            yield FieldProblem(f"/bores_mm/{i + 1}", "this is the same bore as the one before it", "0.001 mm apart")
    if record.runs_per_replicate is not None and record.runs_per_replicate > len(record.bores_mm):
        most = f"2 to {len(record.bores_mm)}, or null"
        yield FieldProblem("/runs_per_replicate", "there are fewer bores than that", most)


def _measure_rules(record: TrialPlan) -> Iterator[FieldProblem]:
    if not record.measures:
        yield FieldProblem("/measures", "this is missing: what is to be looked at on the part?", "1 to 60 measures")
    names = [one.name for one in record.measures]
    for i, name in enumerate(names):
        if name in names[:i]:
            yield FieldProblem(f"/measures/{i}/name", f"{name!r} is the name of an earlier measure", "each name once")


class RunSizeSchema(RecordSchema):
    makes = RunSize
    name = Text(NAME_LONGEST, description="Of a measure of the kind size")
    measured_mm = Number(0.001, LONGEST_MM, "mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultBody:
    accepted: bool
    scrap_reason: ScrapReason | None = None
    clogs: int = 0
    print_h: float | None = None
    extruded_cm3: float | None = None
    sizes: tuple[RunSize, ...] = ()
    kept: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()
    spool_id: str | None = None
    at: float | None = None
    note: str = ""


class ResultSchema(RecordSchema):
    """What became of one run. accepted: it was printed to its end; a lost feature does not make it scrap."""

    makes = ResultBody
    accepted = Flag(description="Whether the piece was printed to its end and can be measured")
    scrap_reason = Choice(ScrapReason, description="Why not; needed where accepted is false")
    clogs = Whole(0, 1000)
    print_h = Number(0.001, 10_000, "h", description="null: as the claim said, else not timed")
    extruded_cm3 = Number(0, 1_000_000, "cm3", description="null: as the claim said, else the whole piece if accepted")
    sizes = ListOf(Record(RunSizeSchema), most=60)
    kept = ListOf(Text(NAME_LONGEST), most=60, description="Graded features that are there")
    lost = ListOf(
        Text(NAME_LONGEST), most=60, description="Graded features that are not; what is in neither was not looked at"
    )
    spool_id = Identifier(description="null: the spool of the run's block, if it is still in the shop")
    at = Moment(description="When the print ended; null: now")
    note = Note(2000)

    def rules(self, record: Any) -> list[FieldProblem]:
        return list(_result_rules(record))


def _result_rules(record: ResultBody) -> Iterator[FieldProblem]:
    if record.accepted and record.scrap_reason is not None:
        yield FieldProblem("/scrap_reason", "the piece is accepted: there is nothing to give a reason for", "null")
    if not record.accepted and record.scrap_reason is None:
        yield FieldProblem("/scrap_reason", "this is missing: why is it not accepted?", ", ".join(ScrapReason))
    if record.scrap_reason is ScrapReason.CLOG and record.clogs == 0:
        yield FieldProblem("/clogs", "scrapped for a clog, and none is counted", "1 to 1000, whole")
    for i, name in enumerate(record.lost):
        if name in record.kept:
            yield FieldProblem(f"/lost/{i}", f"{name!r} is among the kept ones too", "one of the two")
    names = [one.name for one in record.sizes]
    for i, name in enumerate(names):
        if name in names[:i]:
            yield FieldProblem(f"/sizes/{i}/name", f"{name!r} was measured above already", "each size once")
