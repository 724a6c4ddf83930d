"""Moves: exact times of a move from rest to rest, and what each candidate's moves cost, made once a shop."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from workers.learning.arrays import Array, floats
from workers.process.bead import bead_area

# Engineering priors: how far a wall runs between corners, and what a hop costs beside its length.
WALL_SEGMENT_MM = 10.0
HOP_EXTRA_S = 0.1
HOPS_PER_ISLAND = 2.0  # one to its wall, one to its infill


@dataclass(frozen=True, slots=True)
class MotionTable:
    """What each candidate's moves cost. All (P, B) unless said otherwise.

    area_mm2, width_mm, height_mm, spacing_mm: the bead; speed_mm_s: effective; flow_limited: whether the
    flow ceiling, not the commanded speed, sets it; stop_mm: v^2 / a; infill_s_mm3: seconds per mm^3 at
    constant speed; wall_s_mm3: the same with the walls' corners; hop_s, layer_min_s: per layer.
    section (2, P*B) and layer (4, P*B) are the same figures laid out for print_seconds.
    """

    area_mm2: Array
    width_mm: Array
    height_mm: Array
    spacing_mm: Array
    speed_mm_s: Array
    flow_limited: NDArray[np.bool_]
    stop_mm: Array
    infill_s_mm3: Array
    wall_s_mm3: Array
    travel_speed_mm_s: Array
    hop_s: Array
    layer_min_s: Array
    section: Array
    layer: Array


def move_seconds(length_mm: ArrayLike, speed_mm_s: ArrayLike, acceleration_mm_s2: ArrayLike) -> Array:
    """Time of a move from rest to rest: trapezoidal profile, triangular where it is too short for the speed."""
    length, speed = floats(length_mm), floats(speed_mm_s)
    stop_mm = speed * speed / floats(acceleration_mm_s2)
    return length / speed * stretch(stop_mm / length)


def stretch(stops_per_move: Array) -> Array:
    """How many times longer than at constant speed a move takes, from (v^2/a) / length = x.

    1 + x while the speed is reached (x <= 1), 2 sqrt(x) beyond.
    """
    if stops_per_move.size and stops_per_move.max() <= 1.0:
        return 1.0 + stops_per_move
    return np.minimum(stops_per_move, 1.0) + (2.0 * np.sqrt(np.maximum(stops_per_move, 1.0)) - 1.0)


def motion_table(
    width_mm: Array,
    height_mm: Array,
    flow_ceiling_mm3_s: Array,
    speed_max_mm_s: Array,
    acceleration_mm_s2: Array,
    travel_speed_mm_s: Array,
    layer_time_min_s: Array,
) -> MotionTable:
    """The table of beads width_mm, height_mm (P, B) for pairings with these limits, each (P,)."""
    area = bead_area(width_mm, height_mm)
    spacing = area / height_mm
    commanded, by_flow = speed_max_mm_s[:, None], flow_ceiling_mm3_s[:, None] / area
    speed = np.minimum(commanded, by_flow)
    stop_mm = speed * speed / acceleration_mm_s2[:, None]
    infill = 1.0 / (speed * area)
    wall = infill * stretch(stop_mm / WALL_SEGMENT_MM)
    full = np.ones_like(area)
    travel = travel_speed_mm_s[:, None] * full
    # A hop takes d/v + v/a (+ the lift and retraction); for hops below v^2/a that is an upper bound.
    hop = travel / acceleration_mm_s2[:, None] + HOP_EXTRA_S
    layer_min = layer_time_min_s[:, None] * full
    return MotionTable(
        area,
        floats(width_mm),
        floats(height_mm),
        spacing,
        speed,
        by_flow < commanded,
        stop_mm,
        infill,
        wall,
        travel,
        hop,
        layer_min,
        _rows(full, -spacing),
        _rows(wall, 1.0 / (travel * height_mm), hop / height_mm, -layer_min / height_mm),
    )


def _rows(*tables: Array) -> Array:
    return np.ascontiguousarray(np.stack([t.ravel() for t in tables]))
