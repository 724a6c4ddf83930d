"""What a bead of width w loses and fills in one layer section: opening and closing by a disc.

Granulometry after Matheron (1975) and Serra (1982): here as polygons, by offsets; curves.py has the areas of all
widths at once. The split between a corner that is rounded and a feature that
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

from collections.abc import Iterable
from itertools import chain
from typing import Any

import numpy as np

from workers.geometry.openings import FINE_ARC_SEGMENTS, Change, openings
from workers.geometry.regions import islands, voids

BEAD_WIDTHS_MM = (0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.7, 0.8, 1.0, 1.25, 1.6, 2.0)
NARROWER = 1e-3
LOSS, GAIN = 0, 1


def radius_mm(width_mm: float) -> float:
    """The radius of the disc that stands for a bead."""
    return width_mm * (1 - NARROWER) / 2


def lost(section: Any, width_mm: float) -> Change:
    """What a bead of this width cannot lay in the section (shapely polygons, mm)."""
    return _opened(islands(section), width_mm)


def filled(section: Any, width_mm: float) -> Change:
    """What a bead of this width closes that should stay open."""
    return _opened(voids(section), width_mm)


def features_at(section: Any, side: int, widths_mm: Iterable[float]) -> list[tuple[Any, ...]]:
    """The features that beads of several widths lose (fill), taken together."""
    regions = (islands, voids)[side](section)
    radii = np.array([radius_mm(width) for width in widths_mm])
    k = len(regions)
    changes = openings(np.tile(regions, len(radii)), np.repeat(radii, k))
    return [tuple(chain.from_iterable(c.pieces for c in changes[i * k : (i + 1) * k])) for i in range(len(radii))]


def _opened(regions: Any, width_mm: float) -> Change:
    changes = openings(regions, np.full(len(regions), radius_mm(width_mm)), FINE_ARC_SEGMENTS)
    pieces = chain.from_iterable(change.pieces for change in changes)
    return Change(sum(c.feature for c in changes), sum(c.corner for c in changes), tuple(pieces))
