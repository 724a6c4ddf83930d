"""Reads out of the arrays which gate refused which pairing, with both figures."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from workers.model.job import JobSpec, PlaceNeed
from workers.model.routing import Gate, Refusal
from workers.process.bead import width_limits
from workers.process.strength import HEIGHT_TO_BORE_LOAD_MAX
from workers.routing.gates import RefusalList, allowed_bead_width, build_volume_refusal, static_refusals, stock_refusal
from workers.routing.score import TIE, ScoreBlock, named_beads


def refusals(block: ScoreBlock, j: int, spec: JobSpec, before: Sequence[Refusal] = ()) -> tuple[Refusal, ...]:
    """The first gate that refused each pairing without a feasible bead; ``before``: materials left out earlier."""
    lost = np.flatnonzero(block.table.passes & ~block.feasible[j].any(axis=1)).tolist()
    if not lost and not before:
        return block.table.static_refusals
    found = RefusalList()
    for refusal in (*before, *block.table.static_refusals):
        found.add(refusal, refusal.pairings)
    for p in lost:
        found.add(_first_refusal(block, j, spec, p), 1)
    return found.sorted()


def nearest_miss(block: ScoreBlock, j: int, spec: JobSpec) -> tuple[Refusal, ...]:
    """All gates of the pairing that comes nearest to passing: the fewest gates, then the least missing in all."""
    missed = [tuple(_all_refusals(block, j, spec, p)) for p in range(len(block.table.pairings))]
    return min(missed, key=lambda gates: (len(gates), sum(map(_shortfall, gates))), default=())


def _shortfall(refusal: Refusal) -> float:
    """Share of what is needed that is missing; a whole one where it is no figure."""
    needed, available = refusal.needed, refusal.available
    if isinstance(needed, str) or isinstance(available, str):
        return 1.0
    return abs(needed - available) / max(abs(needed), 1e-9)


def _all_refusals(block: ScoreBlock, j: int, spec: JobSpec, p: int) -> Iterator[Refusal]:
    pairing = block.table.pairings[p]
    yield from static_refusals(pairing.machine, pairing.nozzle, pairing.material)
    yield from _job_refusals(block, j, spec, p)


def _first_refusal(block: ScoreBlock, j: int, spec: JobSpec, p: int) -> Refusal:
    return next(_job_refusals(block, j, spec, p))


def _job_refusals(block: ScoreBlock, j: int, spec: JobSpec, p: int) -> Iterator[Refusal]:
    pairing = block.table.pairings[p]
    if not block.fits_in[j, p]:
        yield build_volume_refusal(spec.part(), pairing.machine)
    if not block.in_stock[j, p]:
        grams = float(block.volume_mm3[j, p]) / 1000.0 * pairing.material.density_g_cm3
        yield stock_refusal(pairing.material, grams, float(block.table.spool_g[block.table.material_of[p]]))
    if allowed_bead_width(spec) * TIE < width_limits(pairing.nozzle.bore_mm)[0]:
        yield _critical_refusal(spec, pairing.nozzle.id, width_limits(pairing.nozzle.bore_mm)[0])
    elif spec.place is not None:
        yield from _named_bead_refusals(block, spec, spec.place, p)


def _named_bead_refusals(block: ScoreBlock, spec: JobSpec, place: PlaceNeed, p: int) -> Iterator[Refusal]:
    """What the one bead that the job names does not pass."""
    table, nozzle = block.table, block.table.pairings[p].nozzle
    named = np.flatnonzero(named_beads(table, place)[p])
    if not (table.width[p, named] <= allowed_bead_width(spec) * TIE).any():
        yield _critical_refusal(spec, nozzle.id, float(table.width[p, named].min()))
    if spec.use.load_bearing and not table.load_ok[p, named].any():
        yield Refusal(
            gate=Gate.LAYER_FOR_LOAD,
            needed=round(HEIGHT_TO_BORE_LOAD_MAX * nozzle.bore_mm, 6),
            available=round(float(table.height[p, named].min()), 6),
            unit="mm",
            pairings=1,
            nozzle_id=nozzle.id,
        )


def _critical_refusal(spec: JobSpec, nozzle_id: str, width_mm: float) -> Refusal:
    smallest = min(spec.critical, key=lambda one: one.size_mm)
    return Refusal(
        gate=Gate.CRITICAL_DETAIL,
        needed=allowed_bead_width(spec),
        available=round(width_mm, 6),
        unit="mm",
        pairings=1,
        nozzle_id=nozzle_id,
        detail=smallest.name,
    )
