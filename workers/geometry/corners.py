"""The corners of outlines: how they turn, and what an offset makes of an area by Steiner's formula.

Many polygons are taken at once, because most are small and a call costs more than a corner.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from workers.geometry.mesh import Floats, Ints

_BLUNT = 0.1  # rad; a corner that turns less is no tip
_SAME_PLACE = 1e-3  # of an offset: room for its rounding


@dataclass(frozen=True, eq=False)
class Corners:
    """Of shapes (k,): points (n, 2) in mm; turns (n,) in rad, positive where material is convex; owner (n,) rising.

    inner (n, 2) points along the bisector into the turn and is 2 sin(turn / 2) long; edge (n,): the shorter of the two
    edges at a corner, mm. Of each shape: outline length in mm, number of parts and of holes, and areas in mm^2.
    """

    shapes: Any
    points: Floats
    turns: Floats
    inner: Floats
    edge: Floats
    owner: Ints
    length: Floats
    parts: Ints
    holes: Ints
    areas: Floats

    @classmethod
    def of(cls, shapes: Any) -> Corners:
        """The corners of shapely polygons, one or many."""
        import shapely

        shapes = np.atleast_1d(np.asarray(shapes, dtype=object))
        parts, shape_of = shapely.get_parts(shapes, return_index=True)
        there = ~shapely.is_empty(parts)
        parts, shape_of = parts[there], shape_of[there]
        rings, part_of = shapely.get_rings(parts, return_index=True)
        sizes = shapely.get_num_coordinates(rings) - 1
        points = np.delete(shapely.get_coordinates(rings), np.cumsum(sizes + 1) - 1, axis=0)
        before, after = _neighbours(sizes)
        ahead = points[after] - points
        back = ahead[before]
        turns = np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], np.einsum("ij,ij->i", back, ahead))
        holes = shapely.get_num_interior_rings(parts)
        sense = np.where(shapely.is_ccw(rings), 1, -1) * _outer(holes)
        length = np.hypot(ahead[:, 0], ahead[:, 1])
        unit = ahead / np.maximum(length, 1e-300)[:, None]
        owner = np.repeat(shape_of[part_of], sizes)
        k = len(shapes)
        return cls(
            shapes,
            points,
            turns * np.repeat(sense, sizes),
            unit - unit[before],
            np.minimum(length, length[before]),
            owner,
            np.bincount(owner, length, minlength=k).astype(float),
            np.bincount(shape_of, minlength=k),
            np.bincount(shape_of, holes, minlength=k).astype(int),
            shapely.area(shapes),
        )

    def grown_areas(self, distance: Floats) -> Floats:
        """(k,) areas (mm^2) after an outward (inward, negative) offset with round corners that meets nothing."""
        k = len(self.shapes)
        turns = self.turns * np.broadcast_to(np.sign(distance), k)[self.owner]
        angle = np.where(turns > 0, turns / 2, np.tan(np.minimum(turns, 0.0) / 2))
        round_ = np.bincount(self.owner, angle, minlength=k)
        return np.asarray(self.areas + distance * self.length + distance * np.abs(distance) * round_)

    def sharpest_inner(self) -> Floats:
        """(k,) the most that the outline turns inwards at one corner, rad; 0 or more."""
        most = np.zeros(len(self.shapes))
        np.maximum.at(most, self.owner, -self.turns)
        return most

    def rounded(self, blunt: float, radius: float) -> tuple[Floats, Floats]:
        """(k,) each: what a disc of radius 1 cuts off convex corners that turn more than ``blunt`` rad, and off others.

        Two tangents less an arc: tan(turn / 2) - turn / 2, and as the square of the radius for another one. Corners
        whose edges are too short for a disc of ``radius`` are left out.
        """
        tangent = np.tan(np.maximum(self.turns, 0.0) / 2)
        cut = np.where(self.edge >= 2 * radius * tangent, tangent - np.maximum(self.turns, 0.0) / 2, 0.0)
        k, sharp = len(self.shapes), self.turns > blunt
        return (
            np.bincount(self.owner, cut * sharp, minlength=k).astype(float),
            np.bincount(self.owner, cut * ~sharp, minlength=k).astype(float),
        )

    def tips(self, which: Ints) -> tuple[Ints, Ints]:
        """The convex corners of shapes ``which`` (m,), one after the other: places in ``which``, and corners."""
        tips = np.flatnonzero(self.turns > _BLUNT)
        low = np.searchsorted(self.owner[tips], which)
        counts = np.searchsorted(self.owner[tips], which, side="right") - low
        place = np.repeat(np.arange(len(which)), counts)
        return place, tips[low[place] + _nth(counts)]

    def kept(self, tips: Ints, moved: Corners, place: Ints, distance: Floats) -> Any:
        """Whether tips are still there after offsets inwards, each where its two edges alone put it.

        place (m,): which shape of ``moved`` a tip is looked for in; distance (m,) mm. Such a tip lies
        distance / cos(turn / 2) along the bisector: nothing else has cut it.
        """
        half = np.abs(self.turns[tips, None]) / 2
        there = self.points[tips] + self.inner[tips] * distance[:, None] / (2 * np.sin(half) * np.cos(half))
        return _met(there, place, moved.points, moved.owner, _SAME_PLACE * distance)


def _met(places: Floats, shape: Ints, points: Floats, owner: Ints, within: Floats) -> Any:
    """For each place, whether a point of the same shape lies within so much of it along x and along y."""
    if not len(points) or not len(places):
        return np.zeros(len(places), dtype=bool)
    # shapes side by side, so that one search along x serves them all
    apart = 4 * float(max(np.abs(points[:, 0]).max(), np.abs(places[:, 0]).max())) + 1
    along = points[:, 0] + apart * owner
    order = np.argsort(along)
    along, across = along[order], points[order, 1]
    x = places[:, 0] + apart * shape
    low = np.searchsorted(along, x - within)
    high = np.searchsorted(along, x + within, side="right")
    met = np.zeros(len(places), dtype=bool)
    for k in range(int((high - low).max())):
        at = np.minimum(low + k, len(points) - 1)
        met |= (low + k < high) & (np.abs(across[at] - places[:, 1]) <= within)
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
