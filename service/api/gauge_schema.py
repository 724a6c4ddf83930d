"""A gauge piece as it is read in. Ranges are engineering priors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.api.fields import Choice, Flag, Identifier, ListOf, Moment, Note, Number
from service.api.schema import Record, RecordSchema
from workers.learning.gauge import GaugeFit, GaugeKind, GaugeSize
from workers.model.errors import FieldProblem
from workers.model.fleet import Calibration

OFF_MM = 2.0  # a calibration holds no larger allowance: another feature was measured


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeReading:
    machine_id: str
    nozzle_id: str
    material_id: str
    bead_width_mm: float
    layer_height_mm: float
    readings: tuple[GaugeSize, ...]
    measured_by: str = ""
    instrument: str = ""
    measured_at: float | None = None
    nozzle_temp_c: float | None = None
    flow_ratio: float | None = None
    pressure_advance_s: float | None = None
    flow_ceiling_mm3_s: float | None = None
    keep: bool = False
    calibration_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeAnswer:
    """calibration: what the reading would be kept as, or was; taken_over: its fields that are from an earlier one."""

    fit: GaugeFit
    calibration: Calibration
    kept: bool
    taken_over: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptReading:
    reading: GaugeReading
    fit: GaugeFit


class GaugeSizeSchema(RecordSchema):
    makes = GaugeSize
    kind = Choice(GaugeKind)
    nominal_mm = Number(0.5, 500, "mm", description="Diameter as drawn")
    measured_mm = Number(0.1, 510, "mm", description="Diameter as measured")

    def rules(self, record: Any) -> list[FieldProblem]:
        if abs(record.measured_mm - record.nominal_mm) <= OFF_MM:
            return []
        allowed = f"{record.nominal_mm - OFF_MM:g} to {record.nominal_mm + OFF_MM:g} mm"
        return [FieldProblem("/measured_mm", "this is no reading of that size: was another feature measured?", allowed)]


class GaugeReadingSchema(RecordSchema):
    """Holes and bosses of a test piece, nominal and measured."""

    makes = GaugeReading
    machine_id = Identifier()
    nozzle_id = Identifier()
    material_id = Identifier()
    bead_width_mm = Number(0.08, 4, "mm")
    layer_height_mm = Number(0.02, 2, "mm")
    readings = ListOf(Record(GaugeSizeSchema), least=1, most=1000)
    measured_by = Note(80)
    instrument = Note(80, example="digital caliper, 0.01 mm")
    measured_at = Moment(description="null: now")
    nozzle_temp_c = Number(100, 600, "degrees C", description="null: as in the pairing's newest calibration, else the "
                           "middle of the material's range")  # fmt: skip
    flow_ratio = Number(0.5, 1.5, description="null: as in the newest calibration, else 1")
    pressure_advance_s = Number(0, 5, "s", description="null: as in the newest calibration")
    flow_ceiling_mm3_s = Number(0.1, 200, "mm3/s", description="null: as in the newest calibration")
    keep = Flag(description="Keep the fit as a calibration")
    calibration_id = Identifier(description="Id of the calibration to be kept; null: one is given out")

    def rules(self, record: Any) -> list[FieldProblem]:
        """A bead is a rectangle between two half rounds: never higher than wide."""
        if record.layer_height_mm <= record.bead_width_mm:
            return []
        most = f"0.02 to {record.bead_width_mm:g} mm (bead_width_mm)"
        return [FieldProblem("/layer_height_mm", "a layer is no higher than its bead is wide", most)]
