"""What became of a print, as it is reported. Ranges are engineering priors."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from service.api.fields import Choice, Flag, Identifier, ListOf, Moment, Note, Number, Text, Whole
from service.api.part_schema import LONGEST_MM
from service.api.schema import Record, RecordSchema
from workers.model.errors import FieldProblem
from workers.model.outcome import ScrapReason
from workers.model.part import Axis, FeatureKind

PAIRING = ("machine_id", "nozzle_id", "material_id")
BEAD = ("bead_width_mm", "layer_height_mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeReport:
    name: str
    measured_mm: float
    kind: FeatureKind | None = None
    nominal_mm: float | None = None
    axis: Axis | None = None
    facets: int | None = None
    lower_mm: float | None = None
    upper_mm: float | None = None

    @property
    def is_free(self) -> bool:
        """Whether it says itself what was measured, and leans on no tolerance of a job."""
        return self.kind is not None and self.nominal_mm is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeReport:
    accepted: bool
    job_id: str | None = None
    machine_id: str | None = None
    nozzle_id: str | None = None
    material_id: str | None = None
    bead_width_mm: float | None = None
    layer_height_mm: float | None = None
    scrap_reason: ScrapReason | None = None
    clogs: int = 0
    print_h: float | None = None
    extruded_cm3: float | None = None
    sizes: tuple[SizeReport, ...] = ()
    spool_id: str | None = None
    at: float | None = None
    note: str = ""


class SizeReportSchema(RecordSchema):
    """One measured size. By the name of one of the job's toleranced sizes, or, with kind and nominal_mm, any other."""

    makes = SizeReport
    name = Text(80)
    measured_mm = Number(0.001, LONGEST_MM, "mm")
    kind = Choice(FeatureKind)
    nominal_mm = Number(0.01, LONGEST_MM, "mm")
    axis = Choice(Axis)
    facets = Whole(3, 100_000)
    lower_mm = Number(0.001, LONGEST_MM, "mm")
    upper_mm = Number(0.001, LONGEST_MM, "mm")

    def rules(self, record: Any) -> list[FieldProblem]:
        problems = []
        if (record.kind is None) != (record.nominal_mm is None):
            missing = "kind" if record.kind is None else "nominal_mm"
            problems.append(FieldProblem(f"/{missing}", "kind and nominal_mm go together: give both, or neither"))
        if None not in (record.lower_mm, record.upper_mm) and record.lower_mm >= record.upper_mm:
            problems.append(FieldProblem("/upper_mm", "it is not above lower_mm", f"more than {record.lower_mm:g} mm"))
        return problems


class OutcomeReportSchema(RecordSchema):
    """One copy printed. With a job_id, what is left out of machine, nozzle, material and bead is as the job's routing
    chose; without one, all five are needed."""

    makes = OutcomeReport
    job_id = Identifier(description="null: a print that was no job here")
    machine_id = Identifier()
    nozzle_id = Identifier()
    material_id = Identifier()
    bead_width_mm = Number(0.08, 4, "mm")
    layer_height_mm = Number(0.02, 2, "mm")
    accepted = Flag(description="Whether the copy is good")
    scrap_reason = Choice(ScrapReason, description="Why not; needed where accepted is false")
    clogs = Whole(0, 1000, description="How often the nozzle clogged in this copy")
    print_h = Number(0.001, 10_000, "h", description="Hours it took; null: not timed")
    extruded_cm3 = Number(0, 1_000_000, "cm3", description="null: the whole copy where it is good, else not known")
    sizes = ListOf(Record(SizeReportSchema), most=200, description="What was measured on it")
    spool_id = Identifier(description="The spool that the filament came off: what was extruded is taken off it")
    at = Moment(description="When the print ended; null: now")
    note = Note(2000)

    def rules(self, record: Any) -> list[FieldProblem]:
        return [*_verdict(record), *_bead(record), *(() if record.job_id else _free(record))]


def _verdict(record: OutcomeReport) -> Iterator[FieldProblem]:
    reasons = ", ".join(ScrapReason)
    if record.accepted and record.scrap_reason is not None:
        yield FieldProblem("/scrap_reason", "the copy is accepted: there is nothing to give a reason for", "null")
    if not record.accepted and record.scrap_reason is None:
        yield FieldProblem("/scrap_reason", "this is missing: why is the copy not accepted?", reasons)
    if record.scrap_reason is ScrapReason.CLOG and record.clogs == 0:
        yield FieldProblem("/clogs", "scrapped for a clog, and none is counted", "1 to 1000, whole")


def _bead(record: OutcomeReport) -> Iterator[FieldProblem]:
    """A bead is a rectangle between two half rounds: never higher than wide."""
    width, height = record.bead_width_mm, record.layer_height_mm
    if width is not None and height is not None and height > width:
        yield FieldProblem("/layer_height_mm", "a layer is no higher than its bead is wide", f"0.02 to {width:g} mm")


def _free(record: OutcomeReport) -> Iterator[FieldProblem]:
    for name in (*PAIRING, *BEAD):
        if getattr(record, name) is None:
            yield FieldProblem(f"/{name}", "this is missing, and there is no job_id to take it from")
    for index, size in enumerate(record.sizes):
        if not size.is_free:
            yield FieldProblem(f"/sizes/{index}/kind", "without a job, a size needs its kind and nominal_mm")
