"""What the surface says against the build direction: slopes, overhangs, bridges."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from workers.geometry.mesh import Floats, Ints, TriangleMesh
from workers.geometry.walls import Surface
from workers.model.part import SlopeDistribution

SLOPE_BINS = 20
OVERHANG_DEG = 45.0  # from the vertical; common practice, no source
_ON_BED_MM = 0.05
_CEILING = math.cos(math.radians(5.0))
_OPPOSITE = math.cos(math.radians(120.0))
_MOST_CEILINGS = 60
_LEAST_CEILING_MM2 = 1.0
_LEAST_BRIDGE_MM = 0.2


def slopes_of(surface: Surface) -> SlopeDistribution:
    """Area shares by |n_z| in equal bins, 0 (wall) to 1 (flat)."""
    steep = np.clip(np.abs(surface.normals[:, 2]), 0.0, 1.0)
    share, _ = np.histogram(steep, bins=SLOPE_BINS, range=(0.0, 1.0), weights=surface.areas)
    return SlopeDistribution(area_share=tuple(float(s) for s in share / share.sum()))


def overhang_area(surface: Surface) -> float:
    """mm^2 facing down at more than OVERHANG_DEG from the vertical, what lies on the bed left out."""
    down = surface.normals[:, 2] < -math.sin(math.radians(OVERHANG_DEG)) - 1e-9
    low, high = surface.mesh.z_spans
    above = high > float(low.min()) + _ON_BED_MM
    return float(surface.areas[down & above].sum())


def longest_bridge(surface: Surface) -> float | None:
    """The longest unsupported span of a flat ceiling between supports on opposite sides, mm.

    A ceiling is a connected patch facing straight down (to 5 degrees); its edge is a support where the surface
    goes on downwards. The span is twice the largest distance of a point of the patch from its supports; a patch
    held on one side only is a ledge, counted as overhang and not as a bridge.
    """
    longest = 0.0
    for bound, patch, rim in _ceilings(surface):
        if bound <= longest:
            break
        longest = max(longest, _span(surface.mesh, patch, rim) or 0.0)
    return longest if longest > _LEAST_BRIDGE_MM else None


def _ceilings(surface: Surface) -> list[tuple[float, Ints, Ints]]:
    """(diagonal in plan, faces, supporting edges (k, 2)) of each ceiling, the widest first."""
    mesh = surface.mesh
    lowest, _ = mesh.z_spans
    flat = (surface.normals[:, 2] < -_CEILING) & (lowest > float(lowest.min()) + _ON_BED_MM)
    if not flat.any():
        return []
    label = surface.labels(np.ones(len(surface.turn_cos), dtype=np.bool_), flat)
    ceilings = []
    area = np.bincount(label[flat], surface.areas[flat])
    rim, holder = _supports(surface, label)
    for k in np.argsort(-area)[:_MOST_CEILINGS]:
        if area[k] < _LEAST_CEILING_MM2 or not (holder == k).any():
            continue
        faces = np.flatnonzero(label == k)
        size = np.ptp(mesh.vertices[mesh.faces[faces].ravel(), :2], axis=0)
        ceilings.append((float(np.hypot(*size)), faces, rim[holder == k]))
    return sorted(ceilings, key=lambda c: -c[0])


def _supports(surface: Surface, label: Ints) -> tuple[Ints, Ints]:
    """The edges (k, 2) at which the surface goes on downwards from a labelled face, and the label of each."""
    one, two, ends = surface.neighbours
    parting = np.flatnonzero(label[one] != label[two])
    own, beyond = np.concatenate([one[parting], two[parting]]), np.concatenate([two[parting], one[parting]])
    edge = np.concatenate([ends[parting], ends[parting]])
    lowest, middle = surface.mesh.z_spans[0], surface.mesh.vertices[edge, 2].mean(axis=1)
    held = (label[own] >= 0) & (lowest[beyond] < middle - 1e-3)
    return edge[held], label[own[held]]


def _span(mesh: TriangleMesh, patch: Ints, rim: Ints) -> float | None:
    import shapely

    flat = shapely.union_all(shapely.polygons(mesh.vertices[mesh.faces[patch]][:, :, :2]), grid_size=1e-6)
    if flat.is_empty:
        return None
    supports = shapely.multilinestrings(mesh.vertices[rim][:, :, :2])
    distance, point = _farthest(flat, supports)
    return 2 * distance if _held_both_sides(point, supports, distance) else None


def _farthest(flat: Any, supports: Any) -> tuple[float, Any]:
    """The point of the patch farthest from its supports, by halving on what a buffer leaves over."""
    import shapely

    x0, y0, x1, y1 = flat.bounds
    low, high = 0.0, math.hypot(x1 - x0, y1 - y0)
    point = flat.representative_point()
    while high - low > max(0.005 * low, 0.01):
        middle = (low + high) / 2
        left = flat.difference(supports.buffer(middle, quad_segs=16))
        if left.is_empty:
            high = middle
        else:
            low, point = middle, left.representative_point()
    shapely.prepare(supports)
    return low, point


def _held_both_sides(point: Any, supports: Any, distance: float) -> bool:
    """Whether supports near the point lie in directions more than 120 degrees apart."""
    import shapely

    near = supports.segmentize(max(distance / 4, 0.05)).intersection(point.buffer(1.4 * distance + 0.05))
    arms = shapely.get_coordinates(near) - np.array([[point.x, point.y]])
    if not len(arms):
        return False
    unit: Floats = arms / np.maximum(np.linalg.norm(arms, axis=1), 1e-12)[:, None]
    some = unit[:: max(1, len(unit) // 200)]
    return bool((some @ some.T).min() < _OPPOSITE)
