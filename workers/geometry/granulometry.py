"""What a bead of width w loses and fills in one layer section: opening and closing by a disc.

Granulometry after Matheron (1975) and Serra (1982). The split between a corner that is rounded and a feature that
is gone is ours, and scale-free. With r the disc's radius, the section is eroded by r and grown again: by a disc of
r, which gives what is laid, and with mitred corners by REACH x r, no corner further than REACH_CORNER x r. A
connected piece of what the disc does not lay is a *feature* when it sticks out of that second, larger shape;
otherwise it is the rounding of a corner. A corner's tip lies r / sin(t / 2) from the eroded shape (1.41 r at 90
degrees, 2.00 r at 60, 2.61 r at 45): corners blunter than 52.8 degrees are roundings and sharper ones are points,
which are features; a rib is a feature as soon as it stands out by half a radius. The same rule on the complement
splits what the closing adds into filled slots and rounded inner corners.

Discs are a hair smaller than the bead (NARROWER), so a rib or slot exactly as wide as the bead is kept whole.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from workers.geometry.corners import Corners, polygons_of
from workers.geometry.mesh import Floats
from workers.geometry.residue import apart, clipped

BEAD_WIDTHS_MM = (0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.7, 0.8, 1.0, 1.25, 1.6, 2.0)
REACH = 1.5
REACH_CORNER = 2.25  # 1 / sin(52.8 deg / 2): between the common corner angles 60 and 45 degrees
NARROWER = 1e-3
# Past the radius, so that outlines do not coincide: overlays are then ten times faster. The area at the radius itself
# follows from the one at the hair by Steiner's formula.
_HAIR = 1.01
_SLIVER_MM2 = 1e-9  # smaller pieces come of rounding
_POLYGON = 3
_NEAR = 1.45  # radii: past the tip of a right angle, and short of REACH
_MANY = 16  # tips to look at one by one
_REACH_THINNED = 0.001  # radii; an arc of ARC_SEGMENTS strays by 0.005
_AROUND = 4.0  # radii: further than any offset reaches
# rad; offsets turn by less where they are arcs (a quarter turn / ARC_SEGMENTS, rounded to whole steps)
_ARC_TURN = 0.35
# A stretch of widths may be filled in when the sum of both curves rises over it by at most so many slacks: by the law,
# or by what the layers around lead to expect. Engineering priors, checked against all widths of all layers.
_AT_STAKE, _AT_STAKE_EXPECTED = 8.0, 40.0
ARC_SEGMENTS = 8  # a quarter turn: 0.5 % on a radius, under 1e-5 on a section's area
LOSS, GAIN = 0, 1


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """What one disc changes in one section, mm^2; pieces holds the features."""

    feature: float
    corner: float
    pieces: tuple[Any, ...] = ()


def lost(section: Any, width_mm: float, corners: Corners | None = None) -> Change:
    """What a bead of this width cannot lay in the section (shapely polygons, mm); its corners if at hand."""
    return _disc(section, width_mm, corners, 1).change()


def filled(section: Any, width_mm: float, corners: Corners | None = None) -> Change:
    """What a bead of this width closes that should stay open."""
    return _disc(section, width_mm, corners, -1).change()


@dataclass(slots=True, eq=False)
class _Disc:
    """One disc in one section: an opening (sense 1) or a closing (-1), radius in mm.

    moved is the section eroded (spread) by the radius; _back that shape moved back by a hair more; _reach the larger
    shape with mitred corners. The latter two are made for the whole section only where they must be.
    """

    section: Any
    corners: Corners
    radius: float
    sense: int
    moved: Any = None
    _back: Any = None
    _reach: Any = None

    def change(self) -> Change:
        import shapely

        self.moved = self.section.buffer(-self.sense * self.radius, quad_segs=ARC_SEGMENTS)
        if self.moved.is_empty:
            parts = shapely.get_parts(self.section)
            return Change(float(self.section.area), 0.0, tuple(parts[~shapely.is_empty(parts)]))
        total, marks = self._by_corners() or self._by_offset()
        if len(marks) > _MANY and self._reach is None:
            marks = self._out_of_reach(marks)
        if total <= 1e-6 * self.radius**2 or not len(marks):
            return Change(0.0, max(total, 0.0))
        whole = np.array(self.moved.bounds if self.sense < 0 else self.section.bounds)
        return _change(apart(whole, marks, _AROUND * self.radius, self._pieces), total)

    def _by_corners(self) -> tuple[float, Any] | None:
        """Area changed and the tips out of reach, where nothing parts or meets; else None.

        Then moving back meets nothing either, so Steiner's formula holds, and what is out of reach has a tip.
        """

        after = Corners.of(self.moved)
        alike = (after.parts, after.holes) == (self.corners.parts, self.corners.holes)
        if not alike or float((after.turns * self.sense).min()) < -_ARC_TURN:
            return None
        back = after.grown_area(float(self.moved.area), self.sense * self.radius)
        return self.sense * (float(self.section.area) - back), self._tips_out_of_reach(after)

    def _tips_out_of_reach(self, after: Corners) -> Any:
        """As points. A corner that only its own two edges moved is out of reach when it is sharp enough."""
        import shapely

        tips = self.corners.tips(self.sense)
        if len(tips):
            blunt = np.cos(self.corners.turns[tips] / 2) * REACH_CORNER >= 1
            tips = tips[~(blunt & self.corners.kept(tips, after, self.radius))]
        points = shapely.points(self.corners.points[tips])
        if not len(tips):
            return points
        near = self.moved if self.sense > 0 else shapely.boundary(self.moved)
        shapely.prepare(near)
        return points[~shapely.dwithin(near, points, _NEAR * self.radius)]

    def _by_offset(self) -> tuple[float, Any]:
        """The same from the offsets themselves: area changed and the runs of the outline out of reach."""
        back = self._all_back()
        rest = self.sense * (_HAIR - 1) * self.radius * float(back.length)
        total = self.sense * (float(self.section.area - back.area) + rest)
        return total, self._out_of_reach(self.corners.runs)

    def _out_of_reach(self, shapes: Any) -> Any:
        """Those of some shapes that stick out of the larger shape, or reach into it where it is a closing's."""
        import shapely

        reach = self._all_reach()
        return shapes[~shapely.covers(reach, shapes) if self.sense > 0 else shapely.intersects(reach, shapes)]

    def _all_back(self) -> Any:
        if self._back is None:
            self._back = self._grown(self.moved)
        return self._back

    def _all_reach(self) -> Any:
        import shapely

        if self._reach is None:
            self._reach = self._reaching(self.moved)
            shapely.prepare(self._reach)
        return self._reach

    def _grown(self, moved: Any) -> Any:
        return moved.buffer(self.sense * _HAIR * self.radius, quad_segs=ARC_SEGMENTS)

    def _reaching(self, moved: Any) -> Any:
        """The larger shape, of an outline thinned by no more than an arc's own error."""
        thin = moved.simplify(_REACH_THINNED * self.radius, preserve_topology=False)
        return thin.buffer(self.sense * REACH * self.radius, join_style="mitre", mitre_limit=REACH_CORNER / REACH)

    def _pieces(self, boxes: Floats | None) -> Any:
        """The features in some boxes, or all."""
        import shapely

        section, back, reach = self._in(boxes)
        parts = shapely.get_parts(shapely.difference(*((section, back) if self.sense > 0 else (back, section))))
        parts = parts[shapely.get_type_id(parts) == _POLYGON]
        parts = parts[shapely.area(parts) > _SLIVER_MM2]
        shapely.prepare(reach)
        return parts[~shapely.covers(reach, parts) if self.sense > 0 else shapely.intersects(reach, parts)]

    def _in(self, boxes: Floats | None) -> tuple[Any, Any, Any]:
        """The section and the two offsets within boxes; those from no more than what can reach into them."""
        if boxes is None:
            return self.section, self._all_back(), self._all_reach()
        moved = None
        if self._back is None or self._reach is None:
            moved = clipped(self.moved, boxes + _AROUND * self.radius * np.array([-1, -1, 1, 1]))
        back = self._grown(moved) if self._back is None else self._back
        reach = self._reaching(moved) if self._reach is None else self._reach
        return clipped(self.section, boxes), back if self.sense > 0 else clipped(back, boxes), reach


def _disc(section: Any, width_mm: float, corners: Corners | None, sense: int) -> _Disc:
    section = polygons_of(section)
    return _Disc(section, corners or Corners.of(section), width_mm * (1 - NARROWER) / 2, sense)


def _change(features: Any, total: float) -> Change:
    import shapely

    area = min(float(shapely.area(features).sum()), total)
    return Change(area, total - area, tuple(features))


@dataclass(slots=True, eq=False)
class LayerCurves:
    """Both curves of one section, computed at as few widths as decide them.

    Areas in mm^2 as (2, 16): [LOSS or GAIN, width]. Between two computed widths only what follows a law is filled
    in: features that do not change by more than ``slack_mm2``, corners that grow as the square of the width; or what
    is expected, (2, 2, 16) [feature or corner, LOSS or GAIN, width] in mm^2, where it is true at both ends.
    """

    section: Any
    slack_mm2: float
    feature: Floats = field(default_factory=lambda: np.full((2, len(BEAD_WIDTHS_MM)), np.nan))
    corner: Floats = field(default_factory=lambda: np.full((2, len(BEAD_WIDTHS_MM)), np.nan))
    pieces: dict[tuple[int, int], tuple[Any, ...]] = field(default_factory=dict)
    corners: Corners | None = None
    expected: Floats | None = None

    def computed(self) -> LayerCurves:
        last = len(BEAD_WIDTHS_MM) - 1
        for side in (LOSS, GAIN):
            self._at(side, 0)
            self._at(side, last)
            self._between(side, 0, last)
        self.feature = np.maximum.accumulate(self.feature, axis=1)
        self.corner = np.maximum.accumulate(self.corner, axis=1)
        return self

    def _at(self, side: int, i: int) -> None:
        if self.corners is None:
            self.corners = Corners.of(self.section)
        change = (lost, filled)[side](self.section, BEAD_WIDTHS_MM[i], self.corners)
        self.feature[side, i], self.corner[side, i] = change.feature, change.corner
        self.pieces[side, i] = change.pieces

    def _between(self, side: int, i: int, j: int) -> None:
        if j - i < 2:
            return
        if self._lawful(side, i, j):
            self._fill(side, i, j)
            return
        if self.expected is not None and self._as_expected(side, i, j, self.expected):
            self._fill_expected(side, i, j, self.expected)
            return
        middle = self._middle(side, i, j)
        self._at(side, middle)
        self._between(side, i, middle)
        self._between(side, middle, j)

    def _middle(self, side: int, i: int, j: int) -> int:
        """Half way, or where half the rise is expected: a step is then found at once."""
        if self.expected is None:
            return (i + j) // 2
        rise = self.expected[:, side].sum(axis=0)
        if rise[j] - rise[i] <= self.slack_mm2:
            return (i + j) // 2
        return int(np.clip(np.searchsorted(rise, (rise[i] + rise[j]) / 2), i + 1, j - 1))

    def _rise(self, side: int, i: int, j: int) -> float:
        feature, corner = self.feature[side], self.corner[side]
        return float(feature[j] + corner[j] - feature[i] - corner[i])

    def _lawful(self, side: int, i: int, j: int) -> bool:
        """Whether the law may fill what lies between: it holds at the ends, and little is at stake.

        The sum of both never falls with width, so its rise bounds the error: low bumps may be corners for a wide
        bead, laid whole by a narrow one, and features for those between.
        """
        square = (BEAD_WIDTHS_MM[i] / BEAD_WIDTHS_MM[j]) ** 2
        feature, corner = self.feature[side], self.corner[side]
        strays = (float(feature[j] - feature[i]), float(corner[j] * square - corner[i]))
        return max(map(abs, strays)) <= self.slack_mm2 and self._rise(side, i, j) <= _AT_STAKE * self.slack_mm2

    def _fill(self, side: int, i: int, j: int) -> None:
        w = np.array(BEAD_WIDTHS_MM[i : j + 1])
        self.feature[side, i : j + 1] = np.linspace(self.feature[side, i], self.feature[side, j], j - i + 1)
        share = (w**2 - w[0] ** 2) / (w[-1] ** 2 - w[0] ** 2)
        self.corner[side, i : j + 1] = self.corner[side, i] + share * (self.corner[side, j] - self.corner[side, i])

    def _as_expected(self, side: int, i: int, j: int, expected: Floats) -> bool:
        """Whether what the layers around lead to expect is true at both ends, and not too much is at stake."""
        if self._rise(side, i, j) > _AT_STAKE_EXPECTED * self.slack_mm2:
            return False
        known = np.stack([self.feature[side], self.corner[side]])[:, [i, j]]
        return float(np.abs(known - expected[:, side][:, [i, j]]).max()) <= self.slack_mm2

    def _fill_expected(self, side: int, i: int, j: int, around: Floats) -> None:
        part = np.linspace(0, 1, j - i + 1)
        for kind, known in enumerate((self.feature, self.corner)):
            expected = around[kind, side, i : j + 1]
            off = known[side, [i, j]] - expected[[0, -1]]
            known[side, i : j + 1] = np.maximum(expected + (1 - part) * off[0] + part * off[1], 0.0)
