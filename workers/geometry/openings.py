"""Openings of many polygons by discs: what no disc of a radius can reach, in features and corners.

Polygons are taken together, one call of the offset engine for all. Where a disc moves along the whole outline and
nothing parts, Steiner's formula gives the area from the eroded shape alone, and what may be a feature has a tip; only
the other polygons are grown again and compared with what they were.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from workers.geometry.corners import Corners
from workers.geometry.mesh import Floats, Ints

REACH = 1.5
REACH_CORNER = 2.25  # 1 / sin(52.8 deg / 2): between the common corner angles 60 and 45 degrees
ARC_SEGMENTS = 8  # a quarter turn: 0.5 % on a radius, under 1e-5 on a section's area
# Past the radius, so that outlines do not coincide: overlays are then ten times faster. The area at the radius itself
# follows from the one at the hair by Steiner's formula.
_HAIR = 1.01
_SLIVER_MM2 = 1e-9  # smaller pieces come of rounding
_POLYGON = 3
_NEAR = 1.45  # radii: past the tip of a right angle, and short of REACH
_REACH_THINNED = 0.001  # radii; an arc of ARC_SEGMENTS strays by 0.005
# rad; offsets turn by less where they are arcs (a quarter turn / ARC_SEGMENTS, rounded to whole steps)
_ARC_TURN = 0.35


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """What one disc changes, mm^2; pieces holds the features."""

    feature: float
    corner: float
    pieces: tuple[Any, ...] = ()
    clean: bool = False  # the disc moves along the whole outline, and only corners are rounded


def openings(corners: Corners, which: Ints, radii: Floats) -> list[Change]:
    """What discs of radii (n,) mm cannot reach in the polygons ``which`` (n,) of those that corners has."""
    shapes = corners.shapes[which]
    after, alike, total = _eroded(corners, which, radii)
    marked = np.zeros(len(which), dtype=bool)
    marked[_tips_out_of_reach(corners, which, after, radii, alike)] = True
    gone = after.parts == 0
    changes = [Change(0.0, max(float(area), 0.0), clean=True) for area in total]
    for k in np.flatnonzero(gone):
        changes[k] = Change(float(corners.areas[which[k]]), 0.0, (shapes[k],))
    rest = np.flatnonzero(~gone & (~alike | marked))
    if not len(rest):
        return changes
    known = np.where(alike, total, np.nan)[rest]
    for k, change in zip(rest, _compared(shapes[rest], radii[rest], after.shapes[rest], known), strict=True):
        changes[k] = change
    return changes


def opened_areas(corners: Corners, which: Ints, radii: Floats) -> Floats:
    """(n,) the same without the split into features and corners, mm^2: half the work."""
    after, alike, total = _eroded(corners, which, radii)
    rest = np.flatnonzero(~alike)
    total[rest] = corners.areas[which[rest]] - _back(after.shapes[rest], radii[rest])[1]
    return np.maximum(total, 0.0)


def _eroded(corners: Corners, which: Ints, radii: Floats) -> tuple[Corners, Any, Floats]:
    """The eroded polygons; where nothing parts or vanishes in them; and the area that is lost, true there."""
    import shapely

    after = Corners.of(shapely.buffer(corners.shapes[which], -radii, quad_segs=ARC_SEGMENTS))
    alike = (after.parts == 1) & (after.holes == corners.holes[which]) & (after.sharpest_inner() < _ARC_TURN)
    return after, alike, corners.areas[which] - after.grown_areas(radii)


def _back(moved: Any, radii: Floats) -> tuple[Any, Floats]:
    """Eroded polygons grown again by a hair more than the radius, and the areas they have at the radius itself."""
    import shapely

    back = shapely.buffer(moved, _HAIR * radii, quad_segs=ARC_SEGMENTS)
    return back, shapely.area(back) - (_HAIR - 1) * radii * shapely.length(back)


def _tips_out_of_reach(corners: Corners, which: Ints, after: Corners, radii: Floats, alike: Any) -> Ints:
    """Of the shapes where nothing parts: places in ``which`` of tips that may be features.

    A corner that only its own two edges moved is out of reach when it is sharp enough.
    """
    import shapely

    some = np.flatnonzero(alike)
    place, tips = corners.tips(which[some])
    place = some[place]
    blunt = np.cos(corners.turns[tips] / 2) * REACH_CORNER >= 1
    rest = ~(blunt & corners.kept(tips, after, place, radii[place]))
    place, points = place[rest], shapely.points(corners.points[tips[rest]])
    if not len(place):
        return np.asarray(place)
    shapely.prepare(after.shapes[np.unique(place)])
    far = ~shapely.dwithin(after.shapes[place], points, _NEAR * radii[place])
    return np.asarray(place[far])


def _compared(shapes: Any, radii: Floats, moved: Any, known: Floats) -> list[Change]:
    """Polygons against what the disc reaches in them, all at once; known: the area lost, NaN where it is not yet."""
    import shapely

    (back, areas), reach = _back(moved, radii), _reaching(moved, radii)
    total = np.where(np.isnan(known), shapely.area(shapes) - areas, known)
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
