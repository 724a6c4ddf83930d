"""/v1/materials: filaments as bought."""

from __future__ import annotations

from typing import Any

from service.api.fields import Choice, Flag, Identifier, ListOf, Moment, Number, Text, Version, Whole
from service.api.schema import Record, RecordSchema
from service.api.things import Resource, ThingSchema, blueprint_of
from workers.model.errors import FieldProblem
from workers.model.fleet import Caution, Filler, FillerKind, Material


class FillerSchema(RecordSchema):
    """Ranges are engineering priors."""

    makes = Filler
    kind = Choice(FillerKind)
    weight_fraction = Number(0, 0.95, description="Share of the filament's mass")
    density_g_cm3 = Number(0.1, 25, "g/cm3")
    length_p95_um = Number(0, 5000, "um", description="95th percentile of fibre length or particle size")

    def rules(self, record: Any) -> list[FieldProblem]:
        if record.kind is FillerKind.NONE and record.weight_fraction > 0:
            return [FieldProblem("/kind", "a weight_fraction above 0 needs a kind of filler")]
        if record.kind is not FillerKind.NONE and record.weight_fraction == 0:
            return [FieldProblem("/weight_fraction", "a filler has a share of the mass", "over 0 to 0.95")]
        return []


class MaterialSchema(ThingSchema):
    """Ranges are engineering priors."""

    makes = Material
    id = Identifier()
    name = Text(80)
    polymer = Text(40, example="PA6")
    density_g_cm3 = Number(0.1, 12, "g/cm3")
    nozzle_temp_min_c = Number(100, 600, "degrees C")
    nozzle_temp_max_c = Number(100, 600, "degrees C")
    bed_temp_c = Number(0, 300, "degrees C")
    chamber_temp_min_c = Number(0, 300, "degrees C", description="0: no heated chamber needed")
    enclosure_needed = Flag()
    filler = Record(FillerSchema)
    abrasive = Whole(0, 2, description="0 not, 1 mildly (wears brass within a spool or two), 2 strongly")
    melt_factor = Number(0.05, 2, description="Share of a hotend's flow ceiling that this material reaches")
    power_law_n = Number(0.1, 1, description="Shear-thinning melt: tau = K rate^n, at printing temperature")
    consistency_pa_s_n = Number(10, 1_000_000, "Pa s^n", description="K of the shear-thinning melt")
    shrinkage_percent = Number(-1, 5, "%", description="Linear change that scaling does not take out")
    layer_time_min_s = Number(0, 600, "s", description="Shortest time a layer needs to set")
    tensile_strength_mpa = Number(0, 500, "MPa", description="0: not known")
    heat_deflection_c = Number(0, 500, "degrees C", description="0: not known")
    flexible = Flag()
    price_per_kg = Number(0, 10_000, description="In the shop's currency")
    moisture_limit_h = Number(0, 10_000, "h", description="Hours out of dry storage before it prints badly")
    drying_temp_c = Number(20, 200, "degrees C")
    drying_h = Number(0, 200, "h")
    cautions = ListOf(Choice(Caution), most=10)
    batch_changed_at = Moment(description="When another batch came into use: older calibrations are stale")
    version = Version()

    def rules(self, record: Any) -> list[FieldProblem]:
        if record.nozzle_temp_max_c < record.nozzle_temp_min_c:
            low = f"{record.nozzle_temp_min_c:g} degrees C (nozzle_temp_min_c) or more"
            return [FieldProblem("/nozzle_temp_max_c", "it is below nozzle_temp_min_c", low)]
        return []


MATERIALS = Resource(
    kind=Material,
    schema=MaterialSchema,
    about="Filaments with what printing them takes and what they are good for.",
    example={
        "id": "pa-cf",
        "name": "Polyamide with chopped carbon fibre",
        "polymer": "PA6",
        "density_g_cm3": 1.17,
        "nozzle_temp_min_c": 260,
        "nozzle_temp_max_c": 290,
        "bed_temp_c": 90,
        "enclosure_needed": True,
        "filler": {"kind": "carbon-fibre", "weight_fraction": 0.15, "length_p95_um": 250},
        "abrasive": 2,
        "melt_factor": 0.8,
        "cautions": ["caprolactam", "fibre-dust"],
    },
)
blueprint = blueprint_of(MATERIALS)
