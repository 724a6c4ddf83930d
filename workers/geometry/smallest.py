"""The thinnest rib and the narrowest slot, measured where the curves first lose or fill a feature.

A width at which a feature piece appears where narrower beads lose nothing brackets that feature's thickness; halving
the bracket on a small window of the layer gives the thickness. Points (sharp tips) appear at every width and caps of
domes change from layer to layer: neither is a rib, and both are left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from workers.geometry.granulometry import BEAD_WIDTHS_MM, GAIN, LOSS, features_at
from workers.geometry.inner_corners import tightest_corner_mm
from workers.geometry.layers import LayerCurveSet
from workers.geometry.mend import Solid
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
_LEAST_REACH_MM = 3.0  # of the window a feature is looked at in
_RELIEF_TRIES = 24


@dataclass(eq=False)
class _Outlines:
    """The outlines of a part at the heights asked for so far, each made once."""

    solid: Solid
    layers: LayerCurveSet
    made: dict[float, Any] = field(default_factory=dict)

    @cached_property
    def slab_at(self) -> dict[float, int]:
        """The slabs by their heights: their sections are cut already."""
        return {float(z): k for k, z in enumerate(self.layers.slabs.z)}

    def at(self, z: float) -> Any:
        import shapely

        if z not in self.made:
            slab = self.slab_at.get(z)
            self.made[z] = outline(self.solid, z) if slab is None else self.layers.slabs.outline(slab)
            shapely.prepare(self.made[z])
        return self.made[z]

    def within(self, z: float, window: Floats) -> Any:
        return clipped(self.at(z), window)


@dataclass(eq=False)
class _Birth:
    """A feature that is there for bead ``high`` and not for bead ``low``, in one slab; area in mm^2; at (x, y)."""

    outlines: _Outlines
    side: int
    low: float
    high: float
    slab: int
    area: float
    at: Floats

    @cached_property
    def z(self) -> float:
        return float(self.outlines.layers.slabs.z[self.slab])

    @cached_property
    def piece(self) -> Any:
        """The feature itself; None if it touches one that a bead of ``low`` loses."""
        import shapely

        reach = max(4 * math.sqrt(self.area), _LEAST_REACH_MM)
        section = self.outlines.within(self.z, _window((*(self.at - reach), *(self.at + reach)), self.high))
        before, after = features_at(section, self.side, (self.low, self.high))
        near = shapely.Point(self.at).buffer(self.high / 4)
        pieces = [piece for piece in after if piece.intersects(near)]
        return pieces[0] if pieces and not any(piece.intersects(pieces[0]) for piece in before) else None

    @cached_property
    def width(self) -> float | None:
        """The bead width at which it is just lost; None when it is no rib (or slot)."""
        window = _window(self.piece.bounds, self.high)
        here, low, high = self.outlines.within(self.z, window), self.low, self.high
        if not self._goes_on(window, (low, high)):
            return None
        while high - low > _EXACT_MM:
            widths = np.linspace(low, high, _PARTS + 1)
            k = [*_has(here, self.side, widths[1:-1], self.piece), True].index(True)
            low, high = float(widths[k]), float(widths[k + 1])
        width = (low + high) / 2
        return width if self._goes_on(window, (width, width)) else None

    def _goes_on(self, window: Floats, widths: tuple[float, float]) -> bool:
        """Whether a rib (slot) of some width in this range may go on above and below as one of a like width."""
        thinner_thicker = (widths[0] * (1 - _LIKE), widths[1] * (1 + _LIKE))
        for height in _near_heights(self.outlines.layers, self.slab, widths[0]):
            if _has(self.outlines.within(height, window), self.side, thinner_thicker, self.piece) != [False, True]:
                return False
        return True


def smallest_of(solid: Solid, layers: LayerCurveSet) -> SmallestFeatures:
    """The thinnest rib and slot under 2 mm, with their positions, and the narrowest stroke; None where there is none.

    A stroke is a rib or a slot in relief, raised or engraved by up to RELIEF_MM, as lettering on a top or bottom is.
    """
    outlines = _Outlines(solid, layers)
    births = [_births(outlines, side) for side in (LOSS, GAIN)]
    rib, slot = (_narrowest(births[side]) for side in (LOSS, GAIN))
    strokes = [one[0] for side in (LOSS, GAIN) if (one := _narrowest(births[side], relief=True))]
    return SmallestFeatures(
        rib_mm=rib and rib[0],
        rib_at_mm=rib and rib[1],
        slot_mm=slot and slot[0],
        slot_at_mm=slot and slot[1],
        stroke_mm=min(strokes, default=None),
        corner_radius_mm=tightest_corner_mm(layers),
    )


Found = tuple[float, tuple[float, float, float]]


def _is_relief(birth: _Birth) -> bool:
    """Whether a birth ends, no more than RELIEF_MM apart, in a body at one side at least."""
    ends = [_end(birth, way) for way in (-1, 1)]
    apart = sum(distance for distance, _ in ends)
    return apart <= RELIEF_MM and any(body for _, body in ends)


def _end(birth: _Birth, way: int) -> tuple[float, bool]:
    """How far from z the rib or slot goes that way, and whether it ends in a body all round it.

    It is looked for at whole steps of height, the same for every birth.
    """
    outlines, slabs, z = birth.outlines, birth.outlines.layers.slabs, birth.z
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


def _narrowest(births: list[_Birth], *, relief: bool = False) -> Found | None:
    best: Found | None = None
    for birth in births[: _RELIEF_TRIES if relief else _TRIES]:
        if best and birth.low > best[0]:
            break
        if birth.piece is None or (relief and not _is_relief(birth)):
            continue
        width = birth.width
        if width is None or (best and width >= best[0] - _EXACT_MM):
            continue
        at = birth.piece.representative_point()
        best = (round(width, 3), (round(at.x, 3), round(at.y, 3), round(birth.z, 3)))
    return best


def _births(outlines: _Outlines, side: int) -> list[_Birth]:
    """Where features appear between two widths, the narrowest first; of those that lie over each other, one."""
    done = outlines.layers.done
    found = [(slab, _born(layer.places[side])) for slab, layer in done.items()]
    slabs = np.repeat([slab for slab, _ in found], [len(rows) for _, rows in found])
    rows = np.concatenate([rows for _, rows in found]) if found else np.empty((0, 5))
    order = np.lexsort((slabs, -rows[:, 3], rows[:, 0]))
    cells = np.column_stack([rows[order, 0], (rows[order, 1:3] / _STEP_MM).round()])
    _, first = np.unique(cells, axis=0, return_index=True)
    births = []
    for k in order[np.sort(first)[: max(_TRIES, _RELIEF_TRIES)]]:
        i = int(rows[k, 0])
        low = BEAD_WIDTHS_MM[i - 1] if i else _POINT_MM
        births.append(_Birth(outlines, side, low, BEAD_WIDTHS_MM[i], int(slabs[k]), float(rows[k, 3]), rows[k, 1:3]))
    return births


def _born(places: Floats) -> Floats:
    """Those of a layer's places (m, 5) where the next narrower bead loses nothing near, and that are no sharp tips."""
    from scipy.spatial import cKDTree

    kept = []
    for i, high in enumerate(BEAD_WIDTHS_MM):
        low = BEAD_WIDTHS_MM[i - 1] if i else _POINT_MM
        here, before = places[places[:, 0] == i], places[places[:, 0] == i - 1]
        here = here[2 * here[:, 4] >= low * (1 - _LIKE)]
        if len(here) and len(before):
            apart, _ = cKDTree(before[:, 1:3]).query(here[:, 1:3], distance_upper_bound=high / 2)
            here = here[np.isinf(apart)]
        kept.append(here)
    return np.concatenate(kept)


def _window(bounds: Any, width: float) -> Floats:
    return np.array(bounds) + 5 * width * np.array([-1, -1, 1, 1])


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
