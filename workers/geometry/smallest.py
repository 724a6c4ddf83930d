"""The thinnest rib and the narrowest slot, measured where the curves first lose or fill a feature.

A width at which a feature piece appears where narrower beads lose nothing brackets that feature's thickness; halving
the bracket on a small window of the layer gives the thickness. Points (sharp tips) appear at every width and caps of
domes change from layer to layer: neither is a rib, and both are left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from workers.geometry.granulometry import BEAD_WIDTHS_MM, GAIN, LOSS, filled, lost
from workers.geometry.inner_corners import tightest_corner_mm
from workers.geometry.layers import LayerCurveSet
from workers.geometry.sections import outline
from workers.model.part import SmallestFeatures

_POINT_MM = 0.02  # what is still a feature for a bead this narrow is a point
_EXACT_MM = 0.002
_LIKE = 0.15  # a rib keeps its thickness to this share over half of it up and down
_TRIES = 12
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


def smallest_of(layers: LayerCurveSet) -> SmallestFeatures:
    """The thinnest rib and slot under 2 mm, with their positions, and the narrowest stroke; None where there is none.

    A stroke is a rib or a slot in relief, raised or engraved by up to RELIEF_MM, as lettering on a top or bottom is.
    """
    births = [list(_births(layers, side)) for side in (LOSS, GAIN)]
    rib, slot = (_narrowest(layers, side, births[side]) for side in (LOSS, GAIN))
    strokes = [one[0] for side in (LOSS, GAIN) if (one := _narrowest(layers, side, _relief(layers, births[side])))]
    return SmallestFeatures(
        rib_mm=rib and rib[0],
        rib_at_mm=rib and rib[1],
        slot_mm=slot and slot[0],
        slot_at_mm=slot and slot[1],
        stroke_mm=min(strokes, default=None),
        corner_radius_mm=tightest_corner_mm(layers),
    )


Found = tuple[float, tuple[float, float, float]]


def _relief(layers: LayerCurveSet, births: list[_Birth]) -> list[_Birth]:
    """The narrowest of the births that end, no more than RELIEF_MM apart, in a body at one side at least."""
    sections: dict[float, Any] = {}
    some = sorted(births, key=lambda b: (b.high, -b.piece.area, b.slab))[:_RELIEF_TRIES]
    return [b for b in some if _is_relief(layers, b, sections)]


def _is_relief(layers: LayerCurveSet, birth: _Birth, sections: dict[float, Any]) -> bool:
    z = float(layers.slabs.z[birth.slab])
    ends = [_end(layers, birth, z, way, sections) for way in (-1, 1)]
    apart = sum(distance for distance, _ in ends)
    return apart <= RELIEF_MM and any(body for _, body in ends)


def _end(layers: LayerCurveSet, birth: _Birth, z: float, way: int, sections: dict[float, Any]) -> tuple[float, bool]:
    """How far from z the rib or slot goes that way, and whether it ends in a body all round it."""
    slabs = layers.slabs
    bottom, top = float((slabs.z - slabs.dz / 2).min()), float((slabs.z + slabs.dz / 2).max())
    around = birth.piece.buffer(0.25 * birth.high)
    for k in range(round(RELIEF_MM / _STEP_MM) + 1):
        there = round(z + way * (k + 1) * _STEP_MM, 3)
        if not bottom < there < top:
            return k * _STEP_MM, False
        if there not in sections:
            sections[there] = outline(layers.solid, there)
        if sections[there].covers(around):
            return k * _STEP_MM, True
        if not sections[there].intersects(around):
            return k * _STEP_MM, False
    return RELIEF_MM + _STEP_MM, False


def _narrowest(layers: LayerCurveSet, side: int, births: list[_Birth]) -> Found | None:
    births = sorted(births, key=lambda b: (b.high, -b.piece.area, b.slab))
    best: Found | None = None
    for birth in births[:_TRIES]:
        if best and birth.low > best[0]:
            break
        width = _thickness(layers, side, birth)
        if width is None or (best and width >= best[0] - _EXACT_MM):
            continue
        at = birth.piece.representative_point()
        best = (round(width, 3), (round(at.x, 3), round(at.y, 3), round(float(layers.slabs.z[birth.slab]), 3)))
    return best


def _births(layers: LayerCurveSet, side: int) -> Iterator[_Birth]:
    """All places where features appear between two computed widths."""
    for slab, layer in layers.done.items():
        known = sorted(i for s, i in layer.pieces if s == side)
        low, before = _POINT_MM, np.array([], dtype=object)
        for i in known:
            pieces = np.array(layer.pieces[side, i], dtype=object)
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


def _thickness(layers: LayerCurveSet, side: int, birth: _Birth) -> float | None:
    """The bead width at which the piece is just lost, or None when it is no rib (or slot)."""
    z = float(layers.slabs.z[birth.slab])
    window = birth.piece.envelope.buffer(4 * birth.high, join_style="mitre")
    here = outline(layers.solid, z) & window
    if birth.low == _POINT_MM and _has(here, side, _POINT_MM, birth.piece):
        return None
    low, high = birth.low, birth.high
    while high - low > _EXACT_MM:
        middle = (low + high) / 2
        low, high = (low, middle) if _has(here, side, middle, birth.piece) else (middle, high)
    width = (low + high) / 2
    for height in _near_heights(layers, birth.slab, width):
        there = outline(layers.solid, height) & window
        thinner, thicker = (width * (1 - _LIKE), width * (1 + _LIKE))
        if _has(there, side, thinner, birth.piece) or not _has(there, side, thicker, birth.piece):
            return None
    return width


def _near_heights(layers: LayerCurveSet, slab: int, width: float) -> tuple[float, float]:
    """Half a thickness (at least most of half a slab) down and up, within the zone of the slab."""
    slabs = layers.slabs
    z, dz = float(slabs.z[slab]), float(slabs.dz[slab])
    zone = slabs.zone == slabs.zone[slab]
    low, high = float((slabs.z - slabs.dz / 2)[zone].min()), float((slabs.z + slabs.dz / 2)[zone].max())
    step = max(0.45 * dz, 0.5 * width)
    margin = 0.05 * dz
    return max(z - step, low + margin), min(z + step, high - margin)


def _has(section: Any, side: int, width: float, piece: Any) -> bool:
    """Whether a bead of this width loses (fills) a feature where the piece is."""
    return any(p.intersects(piece) for p in (lost, filled)[side](section, width).pieces)
