"""Openings of many polygons by discs: what no disc of a radius can reach, in features and corners.

Polygons are taken together, one call of the offset engine (GEOS) for all: each is eroded, grown again, and compared
with what it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from workers.geometry.mesh import Floats

REACH = 1.5
REACH_CORNER = 2.25  # 1 / sin(52.8 deg / 2): between the common corner angles 60 and 45 degrees
ARC_SEGMENTS, FINE_ARC_SEGMENTS = 8, 32  # a quarter turn: 0.5 % and 0.03 % on a radius
# Past the radius, so that outlines do not coincide: overlays are then ten times faster. The area at the radius itself
# follows from the one at the hair by Steiner's formula.
_HAIR = 1.01
_SLIVER_MM2 = 1e-9  # smaller pieces come of rounding
_POLYGON = 3
_REACH_THINNED = 0.001  # radii; an arc of ARC_SEGMENTS strays by 0.005


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """What one disc changes, mm^2; pieces holds the features."""

    feature: float
    corner: float
    pieces: tuple[Any, ...] = ()


def openings(shapes: Any, radii: Floats, arc_segments: int = ARC_SEGMENTS) -> list[Change]:
    """What discs of radii (n,) mm cannot reach in polygons (n,)."""
    import shapely

    if not len(shapes):
        return []
    moved = shapely.buffer(shapes, -radii, quad_segs=arc_segments)
    gone = shapely.is_empty(moved)
    changes = [Change(float(shapely.area(shape)), 0.0, (shape,)) for shape in shapes]
    rest = np.flatnonzero(~gone)
    for k, change in zip(rest, _compared(shapes[rest], radii[rest], moved[rest], arc_segments), strict=True):
        changes[k] = change
    return changes


def _back(moved: Any, radii: Floats, arc_segments: int) -> tuple[Any, Floats]:
    """Eroded polygons grown again by a hair more than the radius, and the areas they have at the radius itself."""
    import shapely

    back = shapely.buffer(moved, _HAIR * radii, quad_segs=arc_segments)
    return back, shapely.area(back) - (_HAIR - 1) * radii * shapely.length(back)


def _compared(shapes: Any, radii: Floats, moved: Any, arc_segments: int) -> list[Change]:
    """Polygons against what the disc reaches in them, all at once."""
    import shapely

    (back, areas), reach = _back(moved, radii, arc_segments), _reaching(moved, radii)
    total = shapely.area(shapes) - areas
    shapely.prepare(reach)
    out = np.flatnonzero(~shapely.covers(reach, shapes))
    parts, place = shapely.get_parts(shapely.difference(shapes[out], back[out]), return_index=True)
    solid = (shapely.get_type_id(parts) == _POLYGON) & (shapely.area(parts) > _SLIVER_MM2)
    parts, place = parts[solid], out[place[solid]]
    feature = ~shapely.covers(reach[place], parts)
    parts, place = parts[feature], place[feature]
    return [_change(parts[place == k], float(total[k])) for k in range(len(shapes))]


def _reaching(moved: Any, radii: Floats) -> Any:
    """The larger shape, of an outline thinned by no more than an arc's own error."""
    import shapely

    thin = shapely.simplify(moved, _REACH_THINNED * radii, preserve_topology=False)
    return shapely.buffer(thin, REACH * radii, join_style="mitre", mitre_limit=REACH_CORNER / REACH)


def _change(features: Any, total: float) -> Change:
    import shapely

    total = max(total, 0.0)
    area = min(float(shapely.area(features).sum()), total)
    return Change(area, total - area, tuple(features))
