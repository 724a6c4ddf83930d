"""The thinnest rib and the narrowest slot, measured where the curves first lose or fill a feature.

A width at which a feature piece appears where narrower beads lose nothing brackets that feature's thickness; halving
the bracket on a small window of the layer gives the thickness. Points (sharp tips) appear at every width and caps of
domes change from layer to layer: neither is a rib, and both are left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from workers.geometry.granulometry import BEAD_WIDTHS_MM, GAIN, LOSS, features_at
from workers.geometry.inner_corners import tightest_corner_mm
from workers.geometry.layers import LayerCurveSet
from workers.geometry.mesh import Floats
from workers.geometry.regions import clipped
from workers.geometry.sections import outline
from workers.model.part import SmallestFeatures

_POINT_MM = 0.02  # what is still a feature for a bead this narrow is a point
_EXACT_MM = 0.002
_LIKE = 0.15  # a rib keeps its thickness to this share over half of it up and down
_TRIES = 12
_PARTS = 6  # a bracket is divided into, at once
RELIEF_MM = 3.0  # higher is a wall and deeper a slot; engineering prior
_STEP_MM = 0.5
_RELIEF_TRIES = 24


@dataclass(frozen=True, slots=True, eq=False)
class _Birth:
    """A feature piece that is there for bead ``high`` and not for bead ``low``, in one slab."""

    low: float
    high: float
    slab: int
    piece: Any


@dataclass(slots=True, eq=False)
class _Outlines:
    """The outlines of a part at the heights asked for so far, each made once."""

    layers: LayerCurveSet
    made: dict[float, Any] = field(default_factory=dict)

    def at(self, z: float) -> Any:
        import shapely

        if z not in self.made:
            self.made[z] = outline(self.layers.solid, z)
            shapely.prepare(self.made[z])
        return self.made[z]

    def within(self, z: float, window: Floats) -> Any:
        return clipped(self.at(z), window)


def smallest_of(layers: LayerCurveSet) -> SmallestFeatures:
    """The thinnest rib and slot under 2 mm, with their positions, and the narrowest stroke; None where there is none.

    A stroke is a rib or a slot in relief, raised or engraved by up to RELIEF_MM, as lettering on a top or bottom is.
    """
    outlines = _Outlines(layers)
    births = [list(_births(layers, side)) for side in (LOSS, GAIN)]
    rib, slot = (_narrowest(outlines, side, births[side]) for side in (LOSS, GAIN))
    strokes = [one[0] for side in (LOSS, GAIN) if (one := _narrowest(outlines, side, births[side], relief=True))]
    return SmallestFeatures(
        rib_mm=rib and rib[0],
        rib_at_mm=rib and rib[1],
        slot_mm=slot and slot[0],
        slot_at_mm=slot and slot[1],
        stroke_mm=min(strokes, default=None),
        corner_radius_mm=tightest_corner_mm(layers),
    )


Found = tuple[float, tuple[float, float, float]]


def _is_relief(outlines: _Outlines, birth: _Birth) -> bool:
    """Whether a birth ends, no more than RELIEF_MM apart, in a body at one side at least."""
    z = float(outlines.layers.slabs.z[birth.slab])
    ends = [_end(outlines, birth, z, way) for way in (-1, 1)]
    apart = sum(distance for distance, _ in ends)
    return apart <= RELIEF_MM and any(body for _, body in ends)


def _end(outlines: _Outlines, birth: _Birth, z: float, way: int) -> tuple[float, bool]:
    """How far from z the rib or slot goes that way, and whether it ends in a body all round it.

    It is looked for at whole steps of height, the same for every birth.
    """
    slabs = outlines.layers.slabs
    bottom, top = float((slabs.z - slabs.dz / 2).min()), float((slabs.z + slabs.dz / 2).max())
    around = birth.piece.buffer(0.25 * birth.high)
    step, reached = math.floor(z / _STEP_MM) + (way > 0), 0.0
    while reached <= RELIEF_MM:
        there = round(step * _STEP_MM, 3)
        if not bottom < there < top:
            return reached, False
        section = outlines.at(there)
        if section.covers(around):
            return reached, True
        if not section.intersects(around):
            return reached, False
        reached, step = abs(there - z), step + way
    return reached, False


def _narrowest(outlines: _Outlines, side: int, births: list[_Birth], *, relief: bool = False) -> Found | None:
    births = sorted(births, key=lambda b: (b.high, -b.piece.area, b.slab))
    best: Found | None = None
    for birth in births[: _RELIEF_TRIES if relief else _TRIES]:
        if best and birth.low > best[0]:
            break
        width = _thickness(outlines, side, birth, best[0] if best else birth.high, relief)
        if width is None or (best and width >= best[0] - _EXACT_MM):
            continue
        at = birth.piece.representative_point()
        z = float(outlines.layers.slabs.z[birth.slab])
        best = (round(width, 3), (round(at.x, 3), round(at.y, 3), round(z, 3)))
    return best


def _births(layers: LayerCurveSet, side: int) -> Iterator[_Birth]:
    """All places where features appear between two computed widths."""
    for slab, layer in layers.done.items():
        low, before = _POINT_MM, np.array([], dtype=object)
        for i in sorted(layer.sides[side].pieces):
            pieces = np.array(layer.pieces(side, i), dtype=object)
            for piece in _apart(pieces, before):
                yield _Birth(low, BEAD_WIDTHS_MM[i], slab, piece)
            low, before = BEAD_WIDTHS_MM[i], pieces


def _apart(pieces: Any, before: Any) -> Any:
    """The largest of the pieces that touch none of those before."""
    import shapely

    if len(before) and len(pieces):
        hit = shapely.STRtree(before).query(pieces, predicate="intersects")[0]
        pieces = np.delete(pieces, np.unique(hit))
    return sorted(pieces, key=lambda p: -p.area)[:3]


def _thickness(outlines: _Outlines, side: int, birth: _Birth, most: float, relief: bool) -> float | None:
    """The bead width, under ``most``, at which the piece is just lost; None when it is wider or no rib (or slot).

    Where relief is asked for, also when it is none.
    """
    window = np.array(birth.piece.bounds) + 5 * birth.high * np.array([-1, -1, 1, 1])
    here = outlines.within(float(outlines.layers.slabs.z[birth.slab]), window)
    low, high = birth.low, min(birth.high, most)
    is_point, is_lost = _has(here, side, (_POINT_MM, high), birth.piece)
    if (birth.low == _POINT_MM and is_point) or not is_lost:
        return None
    if not _goes_on(outlines, side, birth, window, (low, high)) or (relief and not _is_relief(outlines, birth)):
        return None
    while high - low > _EXACT_MM:
        widths = np.linspace(low, high, _PARTS + 1)
        k = [*_has(here, side, widths[1:-1], birth.piece), True].index(True)
        low, high = float(widths[k]), float(widths[k + 1])
    width = (low + high) / 2
    return width if _goes_on(outlines, side, birth, window, (width, width)) else None


def _goes_on(outlines: _Outlines, side: int, birth: _Birth, window: Floats, widths: tuple[float, float]) -> bool:
    """Whether a rib (slot) of some width in this range may go on above and below as one of a like width."""
    thinner_thicker = (widths[0] * (1 - _LIKE), widths[1] * (1 + _LIKE))
    for height in _near_heights(outlines.layers, birth.slab, widths[0]):
        if _has(outlines.within(height, window), side, thinner_thicker, birth.piece) != [False, True]:
            return False
    return True


def _near_heights(layers: LayerCurveSet, slab: int, width: float) -> tuple[float, float]:
    """Half a thickness (at least most of half a slab) down and up, within the zone of the slab."""
    slabs = layers.slabs
    z, dz = float(slabs.z[slab]), float(slabs.dz[slab])
    zone = slabs.zone == slabs.zone[slab]
    low, high = float((slabs.z - slabs.dz / 2)[zone].min()), float((slabs.z + slabs.dz / 2)[zone].max())
    step = max(0.45 * dz, 0.5 * width)
    margin = 0.05 * dz
    return max(z - step, low + margin), min(z + step, high - margin)


def _has(section: Any, side: int, widths: Iterable[float], piece: Any) -> list[bool]:
    """For each bead width, whether it loses (fills) a feature where the piece is."""
    return [any(p.intersects(piece) for p in pieces) for pieces in features_at(section, side, widths)]
