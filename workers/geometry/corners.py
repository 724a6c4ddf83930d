"""The corners of a section's outline: how they turn, and what an offset makes of its area by Steiner's formula."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from workers.geometry.mesh import Floats, Ints

_RUN = 8  # edges in a run: the outline's grain of search
_BLUNT = 0.1  # rad; a corner that turns less is no tip


@dataclass(frozen=True, eq=False)
class Corners:
    """points (n, 2) in mm; turns (n,) in rad, positive where material is convex; outline length in mm."""

    section: Any
    points: Floats
    turns: Floats
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
        length = float(np.hypot(ahead[:, 0], ahead[:, 1]).sum())
        return cls(section, points, turns * np.repeat(sense, sizes), length, len(parts), int(holes.sum()))

    def grown_area(self, area: float, distance: float) -> float:
        """The area (mm^2) after an outward (inward, negative) offset with round corners that meets nothing."""
        turns = self.turns * np.sign(distance)
        round_, mitred = turns[turns > 0].sum() / 2, np.tan(turns[turns < 0] / 2).sum()
        return float(area + distance * self.length + distance * abs(distance) * (round_ + mitred))

    def tips(self, sense: int) -> Any:
        """The convex (sense 1) or concave (-1) corners as points."""
        import shapely

        return shapely.points(self.points[self.turns * sense > _BLUNT])

    @cached_property
    def runs(self) -> Any:
        """The outline as line strings of a few edges each."""
        import shapely

        rings = shapely.get_rings(shapely.get_parts(self.section))
        points, sizes = shapely.get_coordinates(rings), shapely.get_num_coordinates(rings)
        first, edges = _run_starts(sizes)
        run = np.repeat(np.arange(len(first)), edges + 1)
        return shapely.linestrings(points[first[run] + _nth(edges + 1)], indices=run)


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
