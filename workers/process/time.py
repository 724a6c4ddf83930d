"""Print time from the section profile: walls, infill, skins, corners, travel and the cooling wait.

Per layer: walls run ``shells`` times along the outline (or fill the section where it is too narrow), the
rest is filled at the infill density, skins solid; each mm^3 takes 1 / (speed x bead area), stretched by
the accelerations of moves from rest to rest; a layer takes at least the material's minimum layer time.
Left out: heat-up and setups (added by the caller), the shortening of inner walls, and look-ahead of a
planner that does not stop at every corner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workers.learning.arrays import Array, floats
from workers.process.motion import HOPS_PER_ISLAND, MotionTable, stretch
from workers.process.slabs import SlabBatch

Index = NDArray[np.intp]

_BLOCK_JOBS = 1  # so that a job gets the same bits alone or in a batch, and its work arrays stay in the cache


@dataclass(frozen=True, slots=True)
class TimeSplit:
    """Where the hours of each job's candidate go, arrays (J,); they sum to its print time.

    melt: laying bead at a speed that the flow ceiling sets; motion: laying bead at the commanded speed,
    and every acceleration; cooling: waiting for the layer to set; travel: moving without laying.
    """

    melt_h: Array
    motion_h: Array
    cooling_h: Array
    travel_h: Array


def print_seconds(slabs: SlabBatch, shells: Array, infill: Array, table: MotionTable) -> Array:
    """Seconds (J, P, B) to print one of each part with shells (J,) and infill density (J,)."""
    jobs, k = slabs.dz_mm.shape
    outside, layers = _outside_rows(slabs, shells), _layer_rows(slabs)
    density = fill_density(slabs, infill)
    beads = table.stop_mm.size
    seconds = np.empty((jobs, beads))
    space = np.empty((2, _BLOCK_JOBS * k, beads))  # reused, so it stays in cache
    for first in range(0, jobs, _BLOCK_JOBS):
        block = slice(first, min(first + _BLOCK_JOBS, jobs))
        rows = slice(block.start * k, block.stop * k)
        inside_s = _inside_seconds(table, slabs.inverse_chord[block, None], density[block, None])
        work, other = space[:, : rows.stop - rows.start]
        np.matmul(outside[rows], table.section, out=work)  # mm^3 inside the walls of each slab
        np.maximum(work, 0.0, out=work)
        by_job = work.reshape(-1, k, beads)
        by_job *= inside_s[:, None, :]
        np.matmul(layers[rows], table.layer, out=other)  # all as if walls, + travel, - the minimum
        work += other
        np.maximum(work, 0.0, out=work)  # what the layers take beyond their minimum
        np.add.reduce(by_job, axis=1, out=seconds[block])
    seconds -= slabs.dz_mm.sum(axis=1)[:, None] * table.layer[3]
    return floats(seconds.reshape((jobs, *table.stop_mm.shape)))


def _inside_seconds(table: MotionTable, inverse_chord: Array, density: Array) -> Array:
    """Seconds per mm^3 of inside beyond what a wall would take (J, P*B); negative where infill is quicker."""
    seconds = stretch(table.stop_mm.reshape(1, -1) * inverse_chord)
    seconds *= density * table.infill_s_mm3.reshape(1, -1)
    seconds -= table.wall_s_mm3.reshape(1, -1)
    return seconds


def fill_density(slabs: SlabBatch, infill: Array) -> Array:
    """Density (J,) of what lies inside the walls, solid skins included."""
    return infill + (1.0 - infill) * slabs.solid_share


def deposited_mm3(slabs: SlabBatch, shells: Array, infill: Array, spacing_mm: Array) -> Array:
    """Volume (J, U) of material laid for a part with beads spaced spacing_mm (U,)."""
    jobs, k = slabs.dz_mm.shape
    inside = _outside_rows(slabs, shells) @ np.stack([np.ones_like(spacing_mm), -spacing_mm])
    np.maximum(inside, 0.0, out=inside)
    hollow = (1.0 - fill_density(slabs, infill))[:, None]
    whole = (slabs.area_mm2 * slabs.dz_mm).sum(axis=1)[:, None]
    return floats(whole - hollow * inside.reshape(jobs, k, -1).sum(axis=1))


def time_splits(
    slabs: SlabBatch, shells: Array, infill: Array, table: MotionTable, pairing: Index, bead: Index
) -> TimeSplit:
    """The print time of one candidate of each job by cause; pairing, bead and every share are (J,)."""
    at = (pairing, bead)

    def column(values: Array) -> Array:
        return values[at][:, None]

    layers = slabs.dz_mm / column(table.height_mm)
    area, height = slabs.area_mm2, column(table.height_mm)
    inside = np.maximum(area - shells[:, None] * slabs.perimeter_mm * column(table.spacing_mm), 0.0)
    filled = inside * fill_density(slabs, infill)[:, None]
    walls = area - inside
    steady = (walls + filled) * height * column(table.infill_s_mm3)
    chords = stretch(table.stop_mm[at] * slabs.inverse_chord)[:, None]
    laying = walls * height * column(table.wall_s_mm3) + filled * height * column(table.infill_s_mm3) * chords
    hops = HOPS_PER_ISLAND * slabs.islands
    travel = hops * (slabs.hop_mm[:, None] / column(table.travel_speed_mm_s) + column(table.hop_s))
    waiting = np.maximum(column(table.layer_min_s) - laying - travel, 0.0)
    melt = steady * table.flow_limited[at][:, None]
    return TimeSplit(*((layers * part).sum(axis=1) / 3600.0 for part in (melt, laying - melt, waiting, travel)))


def _outside_rows(slabs: SlabBatch, shells: Array) -> Array:
    """(J*K, 2): area and walled outline of each slab, times its height."""
    area = slabs.area_mm2 * slabs.dz_mm
    outline = shells[:, None] * slabs.perimeter_mm * slabs.dz_mm
    return np.stack([area, outline], axis=-1).reshape(-1, 2)


def _layer_rows(slabs: SlabBatch) -> Array:
    """(J*K, 4): area, travel length, hops and one, each times the slab's height."""
    hops = HOPS_PER_ISLAND * slabs.islands * slabs.dz_mm
    columns = [slabs.area_mm2 * slabs.dz_mm, hops * slabs.hop_mm[:, None], hops, slabs.dz_mm]
    return np.stack(columns, axis=-1).reshape(-1, 4)
