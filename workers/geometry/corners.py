"""The corners of a section's outline: how they turn, and what an offset makes of its area by Steiner's formula."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from workers.geometry.mesh import Floats, Ints

_RUN = 8  # edges in a run: the outline's grain of search
_POLYGON = 3
_BLUNT = 0.1  # rad; a corner that turns less is no tip
_SAME_PLACE = 1e-3  # of an offset: room for its rounding


@dataclass(frozen=True, eq=False)
class Corners:
    """points (n, 2) in mm; turns (n,) in rad, positive where material is convex; outline length in mm.

    inner (n, 2) points along the bisector into the turn and is 2 sin(turn / 2) long.
    """

    section: Any
    points: Floats
    turns: Floats
    inner: Floats
    length: float
    parts: int
    holes: int

    @classmethod
    def of(cls, section: Any) -> Corners:
        """The corners of shapely polygons."""
        import shapely

        parts = shapely.get_parts(section)
        rings = shapely.get_rings(parts)
        sizes = shapely.get_num_coordinates(rings) - 1
        points = np.delete(shapely.get_coordinates(rings), np.cumsum(sizes + 1) - 1, axis=0)
        before, after = _neighbours(sizes)
        ahead = points[after] - points
        back = ahead[before]
        turns = np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], (back * ahead).sum(axis=1))
        holes = shapely.get_num_interior_rings(parts)
        sense = np.where(shapely.is_ccw(rings), 1, -1) * _outer(holes)
        length = np.hypot(ahead[:, 0], ahead[:, 1])
        unit = ahead / np.maximum(length, 1e-300)[:, None]
        signed = turns * np.repeat(sense, sizes)
        return cls(section, points, signed, unit - unit[before], float(length.sum()), len(parts), int(holes.sum()))

    def grown_area(self, area: float, distance: float) -> float:
        """The area (mm^2) after an outward (inward, negative) offset with round corners that meets nothing."""
        turns = self.turns * np.sign(distance)
        round_, mitred = turns[turns > 0].sum() / 2, np.tan(turns[turns < 0] / 2).sum()
        return float(area + distance * self.length + distance * abs(distance) * (round_ + mitred))

    def tips(self, sense: int) -> Ints:
        """Which corners are convex (sense 1) or concave (-1)."""
        return np.flatnonzero(self.turns * sense > _BLUNT)

    def kept(self, which: Ints, moved: Corners, distance: float) -> Any:
        """Whether corners are still there after an offset into the turn, each where its two edges alone put it.

        Such a corner lies distance / cos(turn / 2) along the bisector: nothing else has cut it.
        """
        half = np.abs(self.turns[which, None]) / 2
        there = self.points[which] + self.inner[which] * distance / (2 * np.sin(half) * np.cos(half))
        return _met(there, moved.points, _SAME_PLACE * distance)

    @cached_property
    def runs(self) -> Any:
        """The outline as line strings of a few edges each."""
        import shapely

        rings = shapely.get_rings(shapely.get_parts(self.section))
        points, sizes = shapely.get_coordinates(rings), shapely.get_num_coordinates(rings)
        first, edges = _run_starts(sizes)
        run = np.repeat(np.arange(len(first)), edges + 1)
        return shapely.linestrings(points[first[run] + _nth(edges + 1)], indices=run)


def polygons_of(shape: Any) -> Any:
    """The shape without the points and lines that a cut may leave."""
    import shapely

    if shape.geom_type != "GeometryCollection":
        return shape
    parts = shapely.get_parts(shapely.get_parts(shape))
    return shapely.multipolygons(parts[shapely.get_type_id(parts) == _POLYGON])


def _met(places: Floats, points: Floats, within: float) -> Any:
    """For each place, whether one of the points lies within so much of it along x and along y."""
    points = points[np.argsort(points[:, 0])]
    low = np.searchsorted(points[:, 0], places[:, 0] - within)
    high = np.searchsorted(points[:, 0], places[:, 0] + within, side="right")
    met = np.zeros(len(places), dtype=bool)
    for k in range(int((high - low).max())):
        at = np.minimum(low + k, len(points) - 1)
        met |= (low + k < high) & (np.abs(points[at, 1] - places[:, 1]) <= within)
    return met


def _neighbours(sizes: Ints) -> tuple[Ints, Ints]:
    """For rings of so many corners, the corner before and the one after each."""
    last = np.cumsum(sizes) - 1
    first = last - sizes + 1
    number = np.arange(int(sizes.sum()))
    before, after = number - 1, number + 1
    before[first], after[last] = last, first
    return before, after


def _outer(holes: Ints) -> Ints:
    """1 for the outer ring of each polygon and -1 for its holes, in their order."""
    sign = np.full(len(holes) + int(holes.sum()), -1)
    sign[np.cumsum(holes + 1) - holes - 1] = 1
    return sign


def _nth(counts: Ints) -> Ints:
    """0, 1, 2 ... within each group."""
    return np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts)


def _run_starts(sizes: Ints) -> tuple[Ints, Ints]:
    """For rings of so many points, the first point of each run and how many edges it has."""
    counts = -(-(sizes - 1) // _RUN)
    ring = np.repeat(np.arange(len(sizes)), counts)
    nth = _nth(counts)
    return (np.cumsum(sizes) - sizes)[ring] + nth * _RUN, np.minimum(_RUN, (sizes - 1)[ring] - nth * _RUN)
