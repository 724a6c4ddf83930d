"""The shop as arrays: every pairing with its beads, worked out once a shop revision and material choice.

P pairings in the order of (machine id, nozzle id, material id), B beads each, U distinct bead widths, H distinct layer
heights, C fit classes (distinct fit parameters and bead width).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workers.model.fleet import Calibration, Machine, Material, Nozzle
from workers.model.routing import Refusal
from workers.model.shop import Shop
from workers.process import bead, clog, fit, flow, motion
from workers.process.strength import load_bearing_ok
from workers.routing.gates import RefusalList, static_refusal

Array = NDArray[np.float64]
Index = NDArray[np.intp]

FIT_COLUMNS = 7  # of _fit_row
HEAT_UP_S = 240.0  # engineering prior: nozzle and bed from cold to printing temperature


@dataclass(frozen=True, slots=True)
class Pairing:
    """One (machine, nozzle, material) that could print, with its newest calibration if there is one."""

    machine: Machine
    nozzle: Nozzle
    material: Material
    calibration: Calibration | None
    loaded: bool
    refusal: Refusal | None

    @property
    def setup_s(self) -> float:
        return HEAT_UP_S + (0.0 if self.loaded else self.machine.material_change_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class PairingTable:
    """Arrays over pairings and beads; see the module for the shapes.

    passes (P,): no static gate refuses. names (P * B,): how candidates are told from each other.
    load_ok (P, B): layers low enough for load-bearing parts.
    """

    pairings: tuple[Pairing, ...]
    static_refusals: tuple[Refusal, ...]
    passes: NDArray[np.bool_]
    machine_of: Index
    material_of: Index
    machines: tuple[Machine, ...]
    materials: tuple[Material, ...]
    spool_g: Array
    setup_s: Array
    hourly_cost: Array
    bore: Array
    clog_a: Array
    clog_b: Array
    flow: flow.FlowCeiling
    width: Array
    height: Array
    load_ok: NDArray[np.bool_]
    widths: Array
    width_of: Index
    heights: Array
    height_of: Index
    fit_classes: fit.FitParameters
    fit_class_of: Index
    motion: motion.MotionTable
    names: tuple[str, ...]

    @property
    def shape(self) -> tuple[int, int]:
        return self.width.shape[0], self.width.shape[1]


def build_table(shop: Shop, material_ids: Sequence[str], nozzles: Sequence[Nozzle] | None = None) -> PairingTable:
    """The table of every machine with every nozzle mounted on it, for these materials.

    ``nozzles`` replaces the shop's nozzles (for what-if questions).
    """
    pairings = _pairings(shop, set(material_ids), shop.nozzles if nozzles is None else nozzles)
    beads = [_beads(p) for p in pairings]
    width = np.array([w for w, _ in beads]).reshape(len(pairings), bead.BEADS_PER_BORE)
    height = np.array([h for _, h in beads]).reshape(len(pairings), bead.BEADS_PER_BORE)
    machines, materials = _distinct(pairings)
    ceiling = _flow_ceiling(pairings)
    belief = clog.prior_belief(_clog_rates(pairings))
    widths, width_of = np.unique(width, return_inverse=True)
    heights, height_of = np.unique(height, return_inverse=True)
    classes, class_of = _fit_classes(pairings, width)
    bore = _column(pairings, lambda p: p.nozzle.bore_mm)
    return PairingTable(
        pairings=pairings,
        static_refusals=_static_refusals(pairings),
        passes=np.array([p.refusal is None for p in pairings], dtype=bool),
        machine_of=np.array([machines.index(p.machine) for p in pairings], dtype=np.intp),
        material_of=np.array([materials.index(p.material) for p in pairings], dtype=np.intp),
        machines=machines,
        materials=materials,
        spool_g=np.array([_fullest_spool(shop, m) for m in materials]),
        setup_s=_column(pairings, lambda p: p.setup_s),
        hourly_cost=_column(pairings, lambda p: p.machine.hourly_cost),
        bore=bore,
        clog_a=belief.a,
        clog_b=belief.b,
        flow=ceiling,
        width=width,
        height=height,
        load_ok=load_bearing_ok(height, bore[:, None]),
        widths=widths,
        width_of=width_of.reshape(width.shape),
        heights=heights,
        height_of=height_of.reshape(width.shape),
        fit_classes=classes,
        fit_class_of=class_of,
        names=_names(pairings, width, height),
        motion=motion.motion_table(
            width_mm=width,
            height_mm=height,
            flow_ceiling_mm3_s=ceiling.mm3_s,
            speed_max_mm_s=_column(pairings, lambda p: p.machine.speed_max_mm_s),
            acceleration_mm_s2=_column(pairings, lambda p: p.machine.acceleration_mm_s2),
            travel_speed_mm_s=_column(pairings, lambda p: p.machine.travel_speed_mm_s),
            layer_time_min_s=_column(pairings, lambda p: p.material.layer_time_min_s),
        ),
    )


def _pairings(shop: Shop, material_ids: set[str], nozzles: Sequence[Nozzle]) -> tuple[Pairing, ...]:
    calibrations = _newest_calibrations(shop)
    loaded = {(s.machine_id, s.material_id) for s in shop.spools if s.machine_id is not None}
    found = []
    for machine in shop.machines:
        for nozzle in (n for n in nozzles if n.machine_id == machine.id):
            for material in (m for m in shop.materials if m.id in material_ids):
                found.append(
                    Pairing(
                        machine,
                        nozzle,
                        material,
                        calibrations.get((machine.id, nozzle.id, material.id)),
                        (machine.id, material.id) in loaded,
                        static_refusal(machine, nozzle, material),
                    )
                )
    return tuple(found)


def _static_refusals(pairings: Sequence[Pairing]) -> tuple[Refusal, ...]:
    found = RefusalList()
    for pairing in pairings:
        if pairing.refusal is not None:
            found.add(pairing.refusal, 1)
    return found.sorted()


def _newest_calibrations(shop: Shop) -> dict[tuple[str, str, str], Calibration]:
    ordered = sorted(shop.calibrations, key=lambda c: (c.calibrated_at, c.id))
    return {(c.machine_id, c.nozzle_id, c.material_id): c for c in ordered}


def _beads(pairing: Pairing) -> tuple[Array, Array]:
    """The bore's grid; a calibrated bead comes first, in the place of the grid bead nearest to it."""
    width, height = bead.bead_grid(pairing.nozzle.bore_mm)
    measured = pairing.calibration
    if measured is None or not bead.bead_in_range(
        pairing.nozzle.bore_mm, measured.bead_width_mm, measured.layer_height_mm
    ):
        return width, height
    distance = np.hypot(width - measured.bead_width_mm, height - measured.layer_height_mm)
    keep = np.arange(len(width)) != int(np.argmin(distance))
    return (
        np.concatenate(([measured.bead_width_mm], width[keep])),
        np.concatenate(([measured.layer_height_mm], height[keep])),
    )


def _distinct(pairings: Sequence[Pairing]) -> tuple[tuple[Machine, ...], tuple[Material, ...]]:
    machines = tuple(dict.fromkeys(p.machine for p in pairings))
    return machines, tuple(dict.fromkeys(p.material for p in pairings))


def _fullest_spool(shop: Shop, material: Material) -> float:
    return max((s.remaining_g for s in shop.spools if s.material_id == material.id), default=0.0)


def _names(pairings: Sequence[Pairing], width: Array, height: Array) -> tuple[str, ...]:
    return tuple(
        f"{p.machine.id} / {p.nozzle.id} / {p.material.id}, bead {w:.3g} x {h:.3g} mm"
        for p, widths, heights in zip(pairings, width.tolist(), height.tolist(), strict=True)
        for w, h in zip(widths, heights, strict=True)
    )


def _column(pairings: Sequence[Pairing], value: object) -> Array:
    return np.array([value(p) for p in pairings], dtype=np.float64)  # type: ignore[operator]


def _measured(value: float | None) -> float:
    return math.nan if value is None else value


def _flow_ceiling(pairings: Sequence[Pairing]) -> flow.FlowCeiling:
    return flow.flow_ceiling(
        hotend_flow_mm3_s=_column(pairings, lambda p: p.machine.hotend.flow_ceiling_mm3_s),
        melt_factor=_column(pairings, lambda p: p.material.melt_factor),
        bore_mm=_column(pairings, lambda p: p.nozzle.bore_mm),
        land_mm=_column(pairings, lambda p: p.nozzle.land_mm),
        push_force_n=_column(pairings, lambda p: p.machine.hotend.push_force_n),
        filament_mm=_column(pairings, lambda p: p.machine.hotend.filament_mm),
        power_law_n=_column(pairings, lambda p: p.material.power_law_n),
        consistency_pa_s_n=_column(pairings, lambda p: p.material.consistency_pa_s_n),
        calibrated_mm3_s=_column(
            pairings, lambda p: _measured(p.calibration.flow_ceiling_mm3_s if p.calibration else None)
        ),
    )


def _clog_rates(pairings: Sequence[Pairing]) -> Array:
    return clog.rate_per_cm3(
        _column(pairings, lambda p: clog.effective_bore(p.nozzle.bore_mm, p.nozzle.tip, p.nozzle.abrasive_cm3)),
        _column(pairings, lambda p: p.material.filler.length_p95_um),
        clog.filler_volume_fraction_of_compound(
            _column(pairings, lambda p: p.material.filler.weight_fraction),
            _column(pairings, lambda p: p.material.filler.density_g_cm3),
            _column(pairings, lambda p: p.material.density_g_cm3),
        ),
    )


def _fit_classes(pairings: Sequence[Pairing], width: Array) -> tuple[fit.FitParameters, Index]:
    """Candidates that share bore, width, shrinkage and calibration share one fit prediction."""
    rows = np.array([_fit_row(p) for p in pairings], dtype=np.float64).reshape(len(pairings), FIT_COLUMNS)
    table = np.concatenate([np.repeat(rows[:, None, :], width.shape[1], axis=1), width[:, :, None]], axis=2).reshape(
        -1, rows.shape[1] + 1
    )
    # nan is no value to compare by: -1 stands for "not calibrated" while the distinct rows are found
    distinct, class_of = np.unique(np.where(np.isnan(table), -1e9, table), axis=0, return_inverse=True)
    distinct = np.where(distinct == -1e9, math.nan, distinct)
    bore, shrinkage, hole, boss, sd, measured, calibrated_width, bead_width = distinct.T
    parameters = fit.FitParameters(
        bore_mm=bore,
        bead_width_mm=bead_width,
        shrinkage_percent=shrinkage,
        hole_allowance_mm=hole,
        boss_allowance_mm=boss,
        size_sd_mm=sd,
        measured=np.nan_to_num(measured),
        calibrated_width_mm=calibrated_width,
    )
    return parameters, class_of.reshape(width.shape)


def _fit_row(pairing: Pairing) -> tuple[float, ...]:
    measured = pairing.calibration
    common = (pairing.nozzle.bore_mm, pairing.material.shrinkage_percent)
    if measured is None:
        return (*common, math.nan, math.nan, math.nan, 0.0, math.nan)
    return (
        *common,
        _measured(measured.hole_allowance_mm),
        _measured(measured.boss_allowance_mm),
        _measured(measured.size_sd_mm),
        float(measured.measured),
        measured.bead_width_mm,
    )
