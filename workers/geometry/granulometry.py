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

from workers.geometry.mesh import Floats

BEAD_WIDTHS_MM = (0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.7, 0.8, 1.0, 1.25, 1.6, 2.0)
REACH = 1.5
REACH_CORNER = 2.25  # 1 / sin(52.8 deg / 2): between the common corner angles 60 and 45 degrees
NARROWER = 1e-3
_HAIR = 1.01  # past the radius, so that outlines do not coincide: overlays are then ten times faster
_POLYGON = 3
_AT_STAKE = 8.0
ARC_SEGMENTS = 8  # a quarter turn: 0.5 % on a radius, under 1e-5 on a section's area
LOSS, GAIN = 0, 1


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """What one disc changes in one section, mm^2; deep holds the parts by which features were told."""

    feature: float
    corner: float
    pieces: tuple[Any, ...] = ()


def lost(section: Any, width_mm: float) -> Change:
    """What a bead of this width cannot lay in the section (shapely polygons, mm)."""
    import shapely

    radius = width_mm * (1 - NARROWER) / 2
    core = section.buffer(-radius, quad_segs=ARC_SEGMENTS)
    if core.is_empty:
        return Change(float(section.area), 0.0, tuple(shapely.get_parts(section)))
    total = float(section.area - core.buffer(radius, quad_segs=ARC_SEGMENTS).area)
    reach = _mitred(core, REACH * radius)
    if total <= 1e-6 * radius**2 or reach.covers(section):
        return Change(0.0, max(total, 0.0))
    pieces = _pieces(section, core.buffer(_HAIR * radius, quad_segs=ARC_SEGMENTS))
    shapely.prepare(reach)
    return _change(pieces[~shapely.covers(reach, pieces)], total)


def filled(section: Any, width_mm: float) -> Change:
    """What a bead of this width closes that should stay open."""
    import shapely

    radius = width_mm * (1 - NARROWER) / 2
    spread = section.buffer(radius, quad_segs=ARC_SEGMENTS)
    total = float(spread.buffer(-radius, quad_segs=ARC_SEGMENTS).area - section.area)
    deep = _mitred(spread, -REACH * radius)
    if total <= 1e-6 * radius**2 or section.covers(deep):
        return Change(0.0, max(total, 0.0))
    pieces = _pieces(spread.buffer(-_HAIR * radius, quad_segs=ARC_SEGMENTS), section)
    shapely.prepare(deep)
    return _change(pieces[shapely.intersects(deep, pieces)], total)


def _mitred(shape: Any, distance: float) -> Any:
    return shape.buffer(distance, join_style="mitre", mitre_limit=REACH_CORNER / REACH)


def _pieces(larger: Any, smaller: Any) -> Any:
    """The polygons of a difference, slivers of rounding left out."""
    import shapely

    parts = shapely.get_parts(shapely.difference(larger, smaller))
    parts = parts[shapely.get_type_id(parts) == _POLYGON]
    return parts[shapely.area(parts) > 1e-9]


def _change(features: Any, total: float) -> Change:
    import shapely

    area = min(float(shapely.area(features).sum()), total)
    return Change(area, total - area, tuple(features))


@dataclass(slots=True, eq=False)
class LayerCurves:
    """Both curves of one section, computed at as few widths as decide them.

    Areas in mm^2 as (2, 16): [LOSS or GAIN, width]. Between two computed widths only what follows a law is filled
    in: features that do not change by more than ``slack_mm2``, corners that grow as the square of the width.
    """

    section: Any
    slack_mm2: float
    feature: Floats = field(default_factory=lambda: np.full((2, len(BEAD_WIDTHS_MM)), np.nan))
    corner: Floats = field(default_factory=lambda: np.full((2, len(BEAD_WIDTHS_MM)), np.nan))
    pieces: dict[tuple[int, int], tuple[Any, ...]] = field(default_factory=dict)

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
        change = (lost, filled)[side](self.section, BEAD_WIDTHS_MM[i])
        self.feature[side, i], self.corner[side, i] = change.feature, change.corner
        self.pieces[side, i] = change.pieces

    def _between(self, side: int, i: int, j: int) -> None:
        if j - i < 2:
            return
        if self._lawful(side, i, j):
            self._fill(side, i, j)
            return
        middle = (i + j) // 2
        self._at(side, middle)
        self._between(side, i, middle)
        self._between(side, middle, j)

    def _lawful(self, side: int, i: int, j: int) -> bool:
        """Whether the law may fill what lies between: it holds at the ends, and little is at stake.

        The sum of both never falls with width, so its rise bounds the error: low bumps may be corners for a wide
        bead, laid whole by a narrow one, and features for those between.
        """
        square = (BEAD_WIDTHS_MM[i] / BEAD_WIDTHS_MM[j]) ** 2
        feature, corner = self.feature[side], self.corner[side]
        strays = (float(feature[j] - feature[i]), float(corner[j] * square - corner[i]))
        rise = float(feature[j] + corner[j] - feature[i] - corner[i])
        return max(map(abs, strays)) <= self.slack_mm2 and rise <= _AT_STAKE * self.slack_mm2

    def _fill(self, side: int, i: int, j: int) -> None:
        w = np.array(BEAD_WIDTHS_MM[i : j + 1])
        self.feature[side, i : j + 1] = np.linspace(self.feature[side, i], self.feature[side, j], j - i + 1)
        share = (w**2 - w[0] ** 2) / (w[-1] ** 2 - w[0] ** 2)
        self.corner[side, i : j + 1] = self.corner[side, i] + share * (self.corner[side, j] - self.corner[side, i])
