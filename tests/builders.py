"""Builders of domain data for the tests: an invented shop, small enough to reason about."""

from __future__ import annotations

from typing import Any

from workers.model.fleet import (
    Calibration,
    Filler,
    FillerKind,
    Hotend,
    Machine,
    Material,
    Nozzle,
    Spool,
    TipMaterial,
)
from workers.model.job import JobSpec, MaterialNeed, Mating, ToleranceNeed
from workers.model.part import DetailCurves, FeatureKind, GeometrySummary
from workers.model.shop import Shop

WIDTHS = (0.1, 0.2, 0.25, 0.3, 0.36, 0.4, 0.44, 0.5, 0.55, 0.6, 0.66, 0.75, 0.8, 0.9, 1.0, 1.25, 1.5, 2.0)


def machine(machine_id: str = "m1", **changes: Any) -> Machine:
    values: dict[str, Any] = {
        "name": machine_id.upper(),
        "build_x_mm": 220.0,
        "build_y_mm": 220.0,
        "build_z_mm": 250.0,
        "hotend": Hotend(fitting="short", flow_ceiling_mm3_s=15.0, nozzle_temp_max_c=300.0),
        "bed_temp_max_c": 110.0,
        "enclosed": True,
        "nozzle_slots": 3,
    }
    return Machine(id=machine_id, **(values | changes))


def nozzle(nozzle_id: str, bore_mm: float, machine_id: str | None = "m1", **changes: Any) -> Nozzle:
    values: dict[str, Any] = {"name": nozzle_id, "tip": TipMaterial.HARDENED_STEEL, "fitting": "short"}
    slot = None if machine_id is None else changes.pop("slot", 1)
    return Nozzle(id=nozzle_id, bore_mm=bore_mm, machine_id=machine_id, slot=slot, **(values | changes))


def plain(material_id: str = "pla", **changes: Any) -> Material:
    values: dict[str, Any] = {
        "name": material_id.upper(),
        "polymer": "PLA",
        "density_g_cm3": 1.24,
        "nozzle_temp_min_c": 195.0,
        "nozzle_temp_max_c": 220.0,
        "bed_temp_c": 60.0,
        "tensile_strength_mpa": 50.0,
        "heat_deflection_c": 55.0,
    }
    return Material(id=material_id, **(values | changes))


def chopped_fibre(material_id: str = "pa-cf", **changes: Any) -> Material:
    values: dict[str, Any] = {
        "name": material_id.upper(),
        "polymer": "PA6",
        "density_g_cm3": 1.24,
        "nozzle_temp_min_c": 260.0,
        "nozzle_temp_max_c": 280.0,
        "bed_temp_c": 90.0,
        "filler": Filler(kind=FillerKind.CARBON_FIBRE, weight_fraction=0.2, length_p95_um=200.0),
        "abrasive": 2,
        "tensile_strength_mpa": 90.0,
        "heat_deflection_c": 140.0,
    }
    return Material(id=material_id, **(values | changes))


def spool(material_id: str, machine_id: str | None = None, **changes: Any) -> Spool:
    values: dict[str, Any] = {"remaining_g": 900.0, "slot": None if machine_id is None else 1}
    return Spool(id=f"spool-{material_id}", material_id=material_id, machine_id=machine_id, **(values | changes))


def calibration(nozzle_id: str, material_id: str, machine_id: str = "m1", **changes: Any) -> Calibration:
    values: dict[str, Any] = {
        "id": f"cal-{machine_id}-{nozzle_id}-{material_id}",
        "calibrated_at": 1_780_000_000.0,
        "layer_height_mm": 0.2,
        "bead_width_mm": 0.44,
        "nozzle_temp_c": 210.0,
    }
    return Calibration(machine_id=machine_id, nozzle_id=nozzle_id, material_id=material_id, **(values | changes))


def shop(**changes: Any) -> Shop:
    """One machine with bores 0.4, 0.5 and 0.6 in hardened steel, plain and chopped-fibre filament."""
    values: dict[str, Any] = {
        "revision": 1,
        "machines": (machine(),),
        "nozzles": (nozzle("n04", 0.4), nozzle("n05", 0.5, slot=2), nozzle("n06", 0.6, slot=3)),
        "materials": (chopped_fibre(), plain()),
        "spools": (spool("pla", "m1"), spool("pa-cf")),
    }
    return Shop(**(values | changes))


def curves(feature_mm: float, share: float = 0.1) -> DetailCurves:
    """A part with one kind of fine feature: gone, all of it, for beads wider than ``feature_mm``."""
    loss = tuple(share if width > feature_mm else 0.0 for width in WIDTHS)
    none = (0.0,) * len(WIDTHS)
    return DetailCurves(bead_width_mm=WIDTHS, feature_loss=loss, corner_loss=none, feature_gain=none, corner_gain=none)


def block(x_mm: float = 60.0, y_mm: float = 40.0, z_mm: float = 20.0, **changes: Any) -> GeometrySummary:
    """A solid block."""
    values: dict[str, Any] = {"volume_mm3": x_mm * y_mm * z_mm}
    return GeometrySummary(extent_x_mm=x_mm, extent_y_mm=y_mm, extent_z_mm=z_mm, **(values | changes))


def sliding_hole(pin_mm: float = 5.0) -> ToleranceNeed:
    """A hole drawn 0.3 mm over its pin, with a clearance of 0.1 to 0.5 mm wanted."""
    return ToleranceNeed(
        name="guide hole",
        kind=FeatureKind.HOLE,
        nominal_mm=pin_mm + 0.3,
        mating=Mating(mate_mm=pin_mm, clearance_min_mm=0.1, clearance_max_mm=0.5),
    )


def job(name: str = "part", *, material: str = "pla", **changes: Any) -> JobSpec:
    values: dict[str, Any] = {"summary": block(), "material": MaterialNeed(material_ids=(material,))}
    return JobSpec(name=name, **(values | changes))
