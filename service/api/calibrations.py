"""/v1/calibrations: what was measured for one machine, nozzle and material together."""

from __future__ import annotations

from typing import Any

from service.api.fields import Identifier, Moment, Note, Number, Version, Whole
from service.api.pairings import require_pairing
from service.api.things import Resource, ThingSchema, blueprint_of
from workers.model.errors import FieldProblem
from workers.model.fleet import Calibration
from workers.model.shop import Shop


class CalibrationSchema(ThingSchema):
    """Ranges are engineering priors."""

    makes = Calibration
    id = Identifier()
    machine_id = Identifier()
    nozzle_id = Identifier()
    material_id = Identifier()
    calibrated_at = Moment()
    layer_height_mm = Number(0.02, 2, "mm")
    bead_width_mm = Number(0.08, 4, "mm")
    nozzle_temp_c = Number(100, 600, "degrees C")
    flow_ratio = Number(0.5, 1.5)
    pressure_advance_s = Number(0, 5, "s")
    flow_ceiling_mm3_s = Number(0.1, 200, "mm3/s", description="Highest flow that still came out whole")
    hole_allowance_mm = Number(-2, 2, "mm", description="Measured minus nominal diameter of holes")
    boss_allowance_mm = Number(-2, 2, "mm", description="Measured minus nominal diameter of bosses")
    size_sd_mm = Number(0, 2, "mm", description="Standard deviation of the sizes over the measured features")
    measured = Whole(0, 100_000, "features")
    measured_by = Note(80)
    instrument = Note(80, example="digital caliper, 0.01 mm")
    abrasive_cm3_at = Number(
        0, 1_000_000, "cm3", description="Abrasive filament that had gone through the nozzle by then"
    )
    version = Version()

    def rules(self, record: Any) -> list[FieldProblem]:
        """A bead is a rectangle between two half rounds: never higher than wide."""
        if record.layer_height_mm > record.bead_width_mm:
            most = f"0.02 to {record.bead_width_mm:g} mm (bead_width_mm)"
            return [FieldProblem("/layer_height_mm", "a layer is no higher than its bead is wide", most)]
        return []


def require_known(shop: Shop, calibration: Calibration) -> None:
    require_pairing(shop, calibration.machine_id, calibration.nozzle_id, calibration.material_id)


CALIBRATIONS = Resource(
    kind=Calibration,
    schema=CalibrationSchema,
    about="What was measured for one machine, nozzle and material together.",
    example={
        "id": "alder-050-pa-cf",
        "machine_id": "alder",
        "nozzle_id": "n-050-hard-1",
        "material_id": "pa-cf",
        "calibrated_at": "2026-04-30T14:00:00Z",
        "layer_height_mm": 0.25,
        "bead_width_mm": 0.55,
        "nozzle_temp_c": 280,
        "flow_ratio": 0.97,
        "hole_allowance_mm": -0.14,
        "size_sd_mm": 0.03,
        "measured": 12,
        "instrument": "digital caliper, 0.01 mm",
    },
    may_stand=require_known,
)
blueprint = blueprint_of(CALIBRATIONS)
