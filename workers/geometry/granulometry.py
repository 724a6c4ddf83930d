"""What a bead of width w loses and fills in one layer section: opening and closing by a disc.

Granulometry after Matheron (1975) and Serra (1982). The split between a corner that is rounded and a feature that
is gone is ours, and scale-free. With r the disc's radius, the section is eroded by r and grown again: by a disc of
r, which gives what is laid, and with mitred corners by REACH x r, no corner further than REACH_CORNER x r. A
connected piece of what the disc does not lay is a *feature* when it sticks out of that second, larger shape;
otherwise it is the rounding of a corner. A corner's tip lies r / sin(t / 2) from the eroded shape (1.41 r at 90
degrees, 2.00 r at 60, 2.61 r at 45): corners blunter than 52.8 degrees are roundings and sharper ones are points,
which are features; a rib is a feature as soon as it stands out by half a radius. The same rule on the voids splits
what the closing adds into filled slots and rounded inner corners.

Discs are a hair smaller than the bead (NARROWER), so a rib or slot exactly as wide as the bead is kept whole.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import chain
from typing import Any

import numpy as np

from workers.geometry.corners import Corners
from workers.geometry.mesh import Floats
from workers.geometry.openings import REACH_CORNER, Change, opened_areas, openings
from workers.geometry.regions import islands, voids

BEAD_WIDTHS_MM = (0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.7, 0.8, 1.0, 1.25, 1.6, 2.0)
NARROWER = 1e-3
# A stretch of widths may be filled in when the sum of both curves rises over it by at most so many slacks: by the law,
# or by what the layers around lead to expect. Engineering priors, checked against all widths of all layers.
_AT_STAKE, _AT_STAKE_EXPECTED = 8.0, 40.0
LOSS, GAIN = 0, 1
_LAST = len(BEAD_WIDTHS_MM) - 1
_RADII = np.array(BEAD_WIDTHS_MM) * (1 - NARROWER) / 2
_POINT = 2 * math.acos(1 / REACH_CORNER)  # rad; corners that turn more are points


def lost(section: Any, width_mm: float) -> Change:
    """What a bead of this width cannot lay in the section (shapely polygons, mm)."""
    return _opened(islands(section), width_mm)


def filled(section: Any, width_mm: float) -> Change:
    """What a bead of this width closes that should stay open."""
    return _opened(voids(section), width_mm)


def features_at(section: Any, side: int, widths_mm: Iterable[float]) -> list[tuple[Any, ...]]:
    """The features that beads of several widths lose (fill), taken together."""
    corners = Corners.of((islands, voids)[side](section))
    radii = np.array([_radius(width) for width in widths_mm])
    k = len(corners.shapes)
    changes = openings(corners, np.tile(np.arange(k), len(radii)), np.repeat(radii, k))
    return [tuple(chain.from_iterable(c.pieces for c in changes[i * k : (i + 1) * k])) for i in range(len(radii))]


def _opened(regions: Any, width_mm: float) -> Change:
    which = np.arange(len(regions))
    changes = openings(Corners.of(regions), which, np.full(len(which), _radius(width_mm)))
    pieces = chain.from_iterable(change.pieces for change in changes)
    return Change(sum(c.feature for c in changes), sum(c.corner for c in changes), tuple(pieces))


def _radius(width_mm: float) -> float:
    return width_mm * (1 - NARROWER) / 2


@dataclass(slots=True, eq=False)
class Regions:
    """The regions of one side of a section, and the features of each at the widths computed.

    law (k, 2, 16): what sharp and blunt corners alone would make of features and corners, mm^2. Where the widest disc
    passes along all of a region's outline, so do all others: such a region is ``smooth`` and follows the law.
    """

    corners: Corners
    law: Floats
    pieces: dict[int, dict[int, tuple[Any, ...]]] = field(default_factory=dict)
    smooth: Any = None

    @classmethod
    def of(cls, shapes: Any) -> Regions:
        """Nothing computed yet."""
        corners = Corners.of(shapes)
        law = np.stack(corners.rounded(_POINT, _RADII[_LAST]), axis=1)[:, :, None] * _RADII**2
        return cls(corners, law, smooth=np.zeros(len(corners.shapes), dtype=bool))

    def at(self, i: int, slack_mm2: float) -> Floats:
        """(2,) features and corners at width i, mm^2; slack_mm2 is what a smooth region may stray from the law."""
        which = np.flatnonzero(~self.smooth)
        changes = openings(self.corners, which, np.full(len(which), _RADII[i]))
        self.pieces[i] = {int(k): change.pieces for k, change in zip(which, changes, strict=True)}
        parts = np.array([(change.feature, change.corner) for change in changes]).reshape(-1, 2)
        whole = np.asarray(self.law[self.smooth, :, i].sum(axis=0) + parts.sum(axis=0))
        if i == _LAST:
            allowed = slack_mm2 * self.corners.length / max(float(self.corners.length.sum()), 1e-9)
            clean = np.array([change.clean for change in changes], dtype=bool)
            stray = np.abs(parts - self.law[which, :, i]).max(axis=1, initial=0.0)
            self.smooth[which] = clean & (stray <= allowed[which])
        return whole


@dataclass(slots=True, eq=False)
class LayerCurves:
    """Both curves of one section, computed at as few widths as decide them.

    Areas in mm^2 as (2, 16): [LOSS or GAIN, width]; their sum rises with the width, and a corner falls to nothing where
    the feature it belonged to is lost. Between two computed widths only what follows a law is filled in: features that
    do not change by more than ``slack_mm2``, corners that grow as the square of the width; or what is expected,
    (2, 2, 16) [feature or corner, LOSS or GAIN, width] in mm^2, where it is true at both ends.
    """

    section: Any
    slack_mm2: float
    feature: Floats = field(default_factory=lambda: np.full((2, len(BEAD_WIDTHS_MM)), np.nan))
    corner: Floats = field(default_factory=lambda: np.full((2, len(BEAD_WIDTHS_MM)), np.nan))
    expected: Floats | None = None
    sides: tuple[Regions, ...] = ()

    def computed(self) -> LayerCurves:
        """This, with its curves."""
        self.sides = (Regions.of(islands(self.section)), Regions.of(voids(self.section)))
        for side in (LOSS, GAIN):
            self._at(side, _LAST)  # first: what it passes along needs no other width
            self._at(side, 0)
            self._between(side, 0, _LAST)
        return self

    def pieces(self, side: int, i: int) -> tuple[Any, ...]:
        """The features that are lost (filled) at width i."""
        regions = self.sides[side]
        if i not in regions.pieces and self.feature[side, i]:
            regions.at(i, self.slack_mm2)
        return tuple(chain.from_iterable(regions.pieces.get(i, {}).values()))

    def _at(self, side: int, i: int) -> None:
        self.feature[side, i], self.corner[side, i] = self.sides[side].at(i, self.slack_mm2)

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


@dataclass(slots=True, eq=False)
class LayerSums:
    """What is lost and filled in one section, features and corners together: areas (32,) in mm^2, NaN where not known.

    The first 16 are losses.
    """

    sides: tuple[Corners, Corners]
    areas: Floats

    @classmethod
    def of(cls, section: Any) -> LayerSums:
        """Nothing known yet."""
        return cls((Corners.of(islands(section)), Corners.of(voids(section))), np.full(2 * (_LAST + 1), np.nan))

    @property
    def count(self) -> int:
        """The corners of the outline."""
        return len(self.sides[LOSS].points)

    def compute(self, columns: list[int]) -> None:
        """Fills in some of the areas."""
        for side, corners in enumerate(self.sides):
            own = [c for c in columns if c // (_LAST + 1) == side]
            column = np.repeat(np.array(own, dtype=int), len(corners.shapes))
            which = np.tile(np.arange(len(corners.shapes)), len(own))
            areas = opened_areas(corners, which, _RADII[column % (_LAST + 1)])
            self.areas[own] = np.bincount(column, areas, minlength=len(self.areas))[own]
