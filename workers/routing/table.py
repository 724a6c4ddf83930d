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

from workers.learning.nodes import gamma_nodes, mean_nodes
from workers.learning.pooling import Book
from workers.model.fleet import Machine, Material, Nozzle
from workers.model.routing import Refusal
from workers.model.shop import Shop
from workers.process import bead, fit, motion
from workers.process.allowance import Learnt
from workers.process.strength import load_bearing_ok
from workers.routing.belief import Beliefs, beliefs_of, column
from workers.routing.gates import RefusalList
from workers.routing.pairing import Pairing, pairings_of

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True)
class PairingTable:
    """Arrays over pairings and beads; see the module for the shapes.

    passes (P,): no static gate refuses. names (P * B,): how candidates are told from each other.
    load_ok (P, B): layers low enough for load-bearing parts. widths_laid (3 U,): widths as drawn, then the widest and
    the narrowest that each may come out. clog_nodes, time_nodes (P, NODES): rates, and ln hours about the believed.
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
    clog_nodes: Array
    time_nodes: Array
    time_learnt: bool
    beliefs: Beliefs
    width: Array
    height: Array
    load_ok: NDArray[np.bool_]
    widths: Array
    widths_laid: Array
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


def build_table(
    shop: Shop,
    material_ids: Sequence[str],
    nozzles: Sequence[Nozzle] | None = None,
    *,
    now: float | None = None,
    book: Book | None = None,
) -> PairingTable:
    """The table of every machine with every nozzle mounted on it, for these materials.

    ``nozzles`` replaces the shop's nozzles (for what-if questions); ``now``: moment at which calibrations and spools
    are aged, None: not at all; ``book``: the shop's evidence, if it has been read already.
    """
    pairings = pairings_of(shop, set(material_ids), shop.nozzles if nozzles is None else nozzles, now)
    return table_of(shop, pairings, beliefs_of(pairings, Book(shop.evidence) if book is None else book))


def table_of(shop: Shop, pairings: tuple[Pairing, ...], beliefs: Beliefs) -> PairingTable:
    """The table of these pairings with what is believed of them."""
    beads = [_beads(p) for p in pairings]
    width = np.array([w for w, _ in beads]).reshape(len(pairings), bead.BEADS_PER_BORE)
    height = np.array([h for _, h in beads]).reshape(len(pairings), bead.BEADS_PER_BORE)
    machines, materials = _distinct(pairings)
    widths, width_of = np.unique(width, return_inverse=True)
    heights, height_of = np.unique(height, return_inverse=True)
    classes, class_of = _fit_classes(pairings, width, beliefs.learnt)
    bore = column(pairings, lambda p: p.nozzle.bore_mm)
    return PairingTable(
        pairings=pairings,
        static_refusals=_static_refusals(pairings),
        passes=np.array([p.refusal is None for p in pairings], dtype=bool),
        machine_of=np.array([machines.index(p.machine) for p in pairings], dtype=np.intp),
        material_of=np.array([materials.index(p.material) for p in pairings], dtype=np.intp),
        machines=machines,
        materials=materials,
        spool_g=np.array([_fullest_spool(shop, m) for m in materials]),
        setup_s=column(pairings, lambda p: p.setup_s),
        hourly_cost=column(pairings, lambda p: p.machine.hourly_cost),
        bore=bore,
        clog_a=beliefs.clog.a,
        clog_b=beliefs.clog.b,
        clog_nodes=gamma_nodes(beliefs.clog),
        time_nodes=mean_nodes(beliefs.ln_time),
        time_learnt=bool((beliefs.ln_time.mean != 0.0).any()),
        beliefs=beliefs,
        width=width,
        height=height,
        load_ok=load_bearing_ok(height, bore[:, None]),
        widths=widths,
        widths_laid=np.concatenate([widths, widths * (1.0 + bead.WIDTH_ERROR), widths * (1.0 - bead.WIDTH_ERROR)]),
        width_of=width_of.reshape(width.shape),
        heights=heights,
        height_of=height_of.reshape(width.shape),
        fit_classes=classes,
        fit_class_of=class_of,
        names=_names(pairings, width, height),
        motion=motion.motion_table(
            width_mm=width,
            height_mm=height,
            flow_ceiling_mm3_s=beliefs.flow.mm3_s,
            speed_max_mm_s=column(pairings, lambda p: p.machine.speed_max_mm_s),
            acceleration_mm_s2=column(pairings, lambda p: p.machine.acceleration_mm_s2),
            travel_speed_mm_s=column(pairings, lambda p: p.machine.travel_speed_mm_s),
            layer_time_min_s=column(pairings, lambda p: p.material.layer_time_min_s),
        ),
    )


def _static_refusals(pairings: Sequence[Pairing]) -> tuple[Refusal, ...]:
    found = RefusalList()
    for pairing in pairings:
        if pairing.refusal is not None:
            found.add(pairing.refusal, 1)
    return found.sorted()


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


def _fit_classes(pairings: Sequence[Pairing], width: Array, learnt: Learnt) -> tuple[fit.FitParameters, Index]:
    """Candidates that share bore, width, shrinkage and all that was learnt of sizes share one fit prediction."""
    beads = width.shape[1]
    bore, shrinkage = (
        np.repeat(column(pairings, lambda p: p.worn_bore_mm), beads),
        np.repeat(column(pairings, lambda p: p.material.shrinkage_percent), beads),
    )
    rows = np.stack([bore, shrinkage, width.ravel()], axis=1)
    base, base_of = np.unique(rows, axis=0, return_inverse=True)
    alike = np.stack([base_of.reshape(-1), np.repeat(_alike(learnt), beads)], axis=1)
    _, first, class_of = np.unique(alike, axis=0, return_index=True, return_inverse=True)
    nothing = np.full(len(base), math.nan)
    parameters = fit.FitParameters(
        bore_mm=base[:, 0],
        bead_width_mm=base[:, 2],
        shrinkage_percent=base[:, 1],
        hole_allowance_mm=nothing,
        boss_allowance_mm=nothing,
        size_sd_mm=nothing,
        measured=np.zeros(len(base)),
        learnt=learnt.columns(first // beads),
        base_of=base_of.reshape(-1)[first],
    )
    return parameters, class_of.reshape(width.shape)


def _alike(learnt: Learnt) -> Index:
    """A number for each pairing (P,), the same where the same was learnt."""
    columns = np.concatenate(learnt.parts()).T
    _, number = np.unique(columns, axis=0, return_inverse=True)
    return number.reshape(-1)
