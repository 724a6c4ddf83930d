"""Request bodies in the words of the trade, for tests of the API: an invented shop and an invented part."""

from __future__ import annotations

from typing import Any


def machine(**changes: Any) -> dict[str, Any]:
    return {
        "id": "alder",
        "name": "Alder, by the window",
        "build_x_mm": 250,
        "build_y_mm": 210,
        "build_z_mm": 220,
        "hotend": {"fitting": "m6-long", "flow_ceiling_mm3_s": 15, "nozzle_temp_max_c": 300},
        "bed_temp_max_c": 110,
        "nozzle_slots": 2,
    } | changes


def nozzle(**changes: Any) -> dict[str, Any]:
    return {
        "id": "n-040-1",
        "name": "0.4 brass, first",
        "bore_mm": 0.4,
        "tip": "brass",
        "fitting": "m6-long",
    } | changes


def material(**changes: Any) -> dict[str, Any]:
    return {
        "id": "pla-grey",
        "name": "Plain PLA, grey",
        "polymer": "PLA",
        "density_g_cm3": 1.24,
        "nozzle_temp_min_c": 195,
        "nozzle_temp_max_c": 225,
        "bed_temp_c": 60,
    } | changes


def spool(**changes: Any) -> dict[str, Any]:
    return {"id": "s-01", "material_id": "pla-grey", "remaining_g": 800} | changes


def calibration(**changes: Any) -> dict[str, Any]:
    return {
        "id": "alder-040-grey",
        "machine_id": "alder",
        "nozzle_id": "n-040-1",
        "material_id": "pla-grey",
        "calibrated_at": "2026-04-30T14:00:00Z",
        "layer_height_mm": 0.2,
        "bead_width_mm": 0.44,
        "nozzle_temp_c": 210,
    } | changes


def summary(**changes: Any) -> dict[str, Any]:
    return {
        "extent_x_mm": 40,
        "extent_y_mm": 30,
        "extent_z_mm": 12,
        "volume_mm3": 9000,
        "features": [{"name": "pin bore", "kind": "hole", "nominal_mm": 6, "facets": 64}],
    } | changes


def job(**changes: Any) -> dict[str, Any]:
    return {
        "name": "Drawer guide, left",
        "summary": summary(),
        "material": {"material_ids": ["pla-grey"]},
        "tolerances": [{"name": "pin bore", "iso286": "H11"}],
    } | changes
