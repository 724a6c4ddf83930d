"""What the surface says against the build direction: slopes, overhangs, bridges."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from workers.geometry.closing import directed_edges
from workers.geometry.mesh import Floats, Ints, TriangleMesh, face_normals
from workers.model.part import SlopeDistribution

SLOPE_BINS = 20
OVERHANG_DEG = 45.0  # from the vertical; common practice, no source
_ON_BED_MM = 0.05
_CEILING = math.cos(math.radians(5.0))
_OPPOSITE = math.cos(math.radians(120.0))
_MOST_CEILINGS = 60


def slopes_of(mesh: TriangleMesh) -> SlopeDistribution:
    """Area shares by |n_z| in equal bins, 0 (wall) to 1 (flat)."""
    normals, areas = face_normals(mesh.corners)
    steep = np.clip(np.abs(normals[:, 2]), 0.0, 1.0)
    share, _ = np.histogram(steep, bins=SLOPE_BINS, range=(0.0, 1.0), weights=areas)
    return SlopeDistribution(area_share=tuple(float(s) for s in share / share.sum()))


def overhang_area(mesh: TriangleMesh) -> float:
    """mm^2 facing down at more than OVERHANG_DEG from the vertical, what lies on the bed left out."""
    corners = mesh.corners
    normals, areas = face_normals(corners)
    down = normals[:, 2] < -math.sin(math.radians(OVERHANG_DEG)) - 1e-9
    above = corners[:, :, 2].max(axis=1) > float(mesh.vertices[:, 2].min()) + _ON_BED_MM
    return float(areas[down & above].sum())


def longest_bridge(mesh: TriangleMesh) -> float | None:
    """The longest unsupported span of a flat ceiling between supports on opposite sides, mm.

    A ceiling is a connected patch facing straight down (to 5 degrees); its edge is a support where the surface
    goes on downwards. The span is twice the largest distance of a point of the patch from its supports; a patch
    held on one side only is a ledge, counted as overhang and not as a bridge.
    """
    spans = [span for patch in _ceilings(mesh) if (span := _span(mesh, patch)) is not None]
    return max(spans, default=None)


def _ceilings(mesh: TriangleMesh) -> list[Ints]:
    """Faces of each ceiling, the largest first."""
    corners = mesh.corners
    normals, areas = face_normals(corners)
    above = corners[:, :, 2].min(axis=1) > float(mesh.vertices[:, 2].min()) + _ON_BED_MM
    faces = np.flatnonzero((normals[:, 2] < -_CEILING) & above)
    if not len(faces):
        return []
    label = connected(mesh.faces[faces])
    total = np.bincount(label, areas[faces])
    return [faces[label == k] for k in np.argsort(-total)[:_MOST_CEILINGS]]


def connected(faces: Ints) -> Ints:
    """(m,) a label a face; faces that share an edge share it."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    edges = np.sort(directed_edges(faces), axis=1)
    keys = edges[:, 0] * (int(faces.max()) + 1) + edges[:, 1]
    owner = np.tile(np.arange(len(faces)), 3)
    order = np.argsort(keys, kind="stable")
    same = np.flatnonzero(keys[order][1:] == keys[order][:-1])
    one, two = owner[order[same]], owner[order[same + 1]]
    graph = coo_matrix((np.ones(len(one), dtype=np.int8), (one, two)), shape=(len(faces), len(faces)))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def _span(mesh: TriangleMesh, patch: Ints) -> float | None:
    import shapely

    supports = _supports(mesh, patch)
    if supports is None:
        return None
    flat = shapely.union_all(shapely.polygons(mesh.vertices[mesh.faces[patch]][:, :, :2]), grid_size=1e-6)
    if flat.is_empty or flat.area < 1e-4:
        return None
    distance, point = _farthest(flat, supports)
    return 2 * distance if _held_both_sides(point, supports, distance) else None


def _supports(mesh: TriangleMesh, patch: Ints) -> Any | None:
    """The patch's edges from which the surface goes down, as lines in plan."""
    import shapely

    edges = directed_edges(mesh.faces[patch])
    span = len(mesh.vertices)
    keys = edges[:, 0] * span + edges[:, 1]
    rim = edges[~np.isin(keys, edges[:, 1] * span + edges[:, 0])]
    everywhere = directed_edges(mesh.faces)
    across = np.isin(everywhere[:, 0] * span + everywhere[:, 1], rim[:, 1] * span + rim[:, 0])
    owner = np.tile(np.arange(len(mesh.faces)), 3)[across]
    shared = everywhere[across]
    level = mesh.vertices[shared, 2].mean(axis=1)
    lowest = mesh.vertices[mesh.faces[owner], 2].min(axis=1)
    held = shared[lowest < level - 1e-3]
    return shapely.multilinestrings(mesh.vertices[held][:, :, :2]) if len(held) else None


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
