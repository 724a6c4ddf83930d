"""Reads out of the arrays which gate refused which pairing, with both figures."""

from __future__ import annotations

import numpy as np

from workers.model.job import JobSpec
from workers.model.routing import Gate, Refusal
from workers.process.bead import width_limits
from workers.routing.gates import RefusalList, allowed_bead_width, build_volume_refusal, stock_refusal
from workers.routing.score import ScoreBlock


def job_refusals(found: RefusalList, block: ScoreBlock, j: int, spec: JobSpec) -> None:
    """Add the first gate that refused each pairing without a feasible bead."""
    for refusal in block.table.static_refusals:
        found.add(refusal, refusal.pairings)
    lost = block.table.passes & ~block.feasible[j].any(axis=1)
    for p in np.flatnonzero(lost).tolist():
        refusal = _first_refusal(block, j, spec, p)
        if refusal is not None:
            found.add(refusal, 1)


def _first_refusal(block: ScoreBlock, j: int, spec: JobSpec, p: int) -> Refusal | None:
    pairing = block.table.pairings[p]
    if not block.fits_in[j, p]:
        return build_volume_refusal(spec.summary, pairing.machine)
    if not block.in_stock[j, p]:
        grams = float(block.volume_mm3[j, p]) / 1000.0 * pairing.material.density_g_cm3
        return stock_refusal(pairing.material, grams, float(block.table.spool_g[block.table.material_of[p]]))
    return _critical_refusal(spec, pairing.nozzle.id, pairing.nozzle.bore_mm)


def _critical_refusal(spec: JobSpec, nozzle_id: str, bore_mm: float) -> Refusal | None:
    smallest = min(spec.critical, key=lambda one: one.size_mm, default=None)
    if smallest is None:
        return None
    return Refusal(
        gate=Gate.CRITICAL_DETAIL,
        needed=allowed_bead_width(spec),
        available=round(width_limits(bore_mm)[0], 6),
        unit="mm",
        pairings=1,
        nozzle_id=nozzle_id,
        detail=smallest.name,
    )
