"""Geometry summaries of the demo's parts, worked out from stacks of simple shapes.

A part is a stack of slabs; a slab has a height and a list of shapes that are added or cut:

- ``rect`` with sides x and y, ``disc`` with diameter d, ``ring`` with outer diameter d and wall,
  ``strip`` with length and width (a letter stroke, ends rounded, so it has no corners).
- ``d`` and ``width`` may be a pair: d runs from the first to the second up the slab; the width of a strip is
  spread evenly between the two.

Opening and closing follow closed forms: a shape survives a bead no wider than its narrowest side, and a
right-angled corner loses (1 - pi/4) r^2 to a disc of radius r.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

BEAD_WIDTHS_MM = (0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.7, 0.8, 1.0, 1.25, 1.6, 2.0)
FINE_MM = 2.0  # what is wider is not a detail (the curves end there)
SLICE_MM = 1.0
SLICES_MAX = 250
SLOPE_BINS = 10
_CORNER = 1.0 - math.pi / 4.0


@dataclass(frozen=True, slots=True)
class Shape:
    """One kind of outline in one section, ``count`` times. Lengths in mm, areas in mm^2.

    narrow: lowest and highest width of its narrowest part. corners: right-angled ones, in all.
    lean: rise of the wall per mm of run is 1 / lean; 0 for an upright wall.
    """

    area: float
    perimeter: float
    narrow: tuple[float, float]
    corners: int
    lean: float = 0.0


@dataclass(frozen=True, slots=True)
class Slice:
    """One thin horizontal slab: what is added, what is cut, and how many separate outlines it has."""

    dz: float
    added: tuple[Shape, ...]
    cut: tuple[Shape, ...]
    islands: int
    concave_corners: int

    @property
    def area(self) -> float:
        return sum(s.area for s in self.added) - sum(s.area for s in self.cut)

    @property
    def perimeter(self) -> float:
        return sum(s.perimeter for s in (*self.added, *self.cut))


def summary(recipe: Mapping[str, Any]) -> dict[str, Any]:
    """The geometry summary of a recipe, as the service takes it in."""
    slices = [piece for slab in recipe["slabs"] for piece in _slices(slab)]
    volume = sum(piece.area * piece.dz for piece in slices)
    extent_x, extent_y = recipe["footprint_mm"]
    return {
        "extent_x_mm": extent_x,
        "extent_y_mm": extent_y,
        "extent_z_mm": round(sum(piece.dz for piece in slices), 6),
        "volume_mm3": round(volume, 3),
        "area_mm2": round(_flat_area(slices) + sum(area for area, _ in _walls(slices)), 3),
        "profile": _profile(slices),
        "curves": _curves(slices, volume),
        "smallest": _smallest(slices, recipe),
        "slopes": {"area_share": _slopes(slices)},
        "features": list(recipe.get("features", ())),
        "bodies": 1,
        "watertight": True,
    }


def _slices(slab: Mapping[str, Any]) -> list[Slice]:
    height = float(slab["height_mm"])
    count = max(1, min(SLICES_MAX, round(height / SLICE_MM)))
    dz = height / count
    return [
        Slice(
            dz=dz,
            added=tuple(_shape(one, (i + 0.5) / count, height) for one in slab.get("add", ())),
            cut=tuple(_shape(one, (i + 0.5) / count, height) for one in slab.get("cut", ())),
            islands=int(slab.get("islands", 1)),
            concave_corners=int(slab.get("concave_corners", 0)),
        )
        for i in range(count)
    ]


def _shape(one: Mapping[str, Any], at: float, height: float) -> Shape:
    """A shape at the share ``at`` of its slab's height."""
    count = int(one.get("count", 1))
    if one["shape"] == "rect":
        return _rect(one["x"], one["y"], count)
    if one["shape"] == "strip":
        return _strip(one["length"], *_pair(one["width"]), count)
    low, high = _pair(one["d"])
    diameter, lean = low + (high - low) * at, abs(high - low) / 2.0 / height
    if one["shape"] == "disc":
        area, around = math.pi * diameter**2 / 4.0, math.pi * diameter
        return Shape(area * count, around * count, (diameter, diameter), 0, lean)
    wall = float(one["wall"])
    inner = diameter - 2.0 * wall
    area = math.pi * (diameter**2 - inner**2) / 4.0
    return Shape(area * count, math.pi * (diameter + inner) * count, (wall, wall), 0, lean)


def _rect(x: float, y: float, count: int) -> Shape:
    side = min(x, y)
    return Shape(x * y * count, 2.0 * (x + y) * count, (side, side), 4 * count)


def _strip(length: float, low: float, high: float, count: int) -> Shape:
    width = (low + high) / 2.0
    return Shape(length * width * count, 2.0 * (length + width) * count, (low, high), 0)


def _pair(value: float | Sequence[float]) -> tuple[float, float]:
    if isinstance(value, Sequence):
        return float(value[0]), float(value[1])
    return float(value), float(value)


def _profile(slices: Sequence[Slice]) -> dict[str, Any]:
    middles, top = [], 0.0
    for piece in slices:
        middles.append(round(top + piece.dz / 2.0, 6))
        top += piece.dz
    return {
        "z_mm": middles,
        "dz_mm": [round(piece.dz, 9) for piece in slices],
        "area_mm2": [round(piece.area, 4) for piece in slices],
        "perimeter_mm": [round(piece.perimeter, 4) for piece in slices],
        "islands": [piece.islands for piece in slices],
    }


def _curves(slices: Sequence[Slice], volume: float) -> dict[str, Any]:
    loss, corner_loss, gain, corner_gain = [], [], [], []
    for width in BEAD_WIDTHS_MM:
        loss.append(sum(_gone(s, width) * piece.dz for piece in slices for s in piece.added))
        corner_loss.append(sum(_rounded(s, width) * piece.dz for piece in slices for s in piece.added))
        gain.append(sum(_gone(s, width) * piece.dz for piece in slices for s in piece.cut))
        inner = sum(piece.concave_corners * _corner(width) * piece.dz for piece in slices)
        corner_gain.append(inner + sum(_rounded(s, width) * piece.dz for piece in slices for s in piece.cut))
    named = {
        "feature_loss": loss,
        "corner_loss": corner_loss,
        "feature_gain": gain,
        "corner_gain": corner_gain,
    }
    shares = {name: [round(min(1.0, v / volume), 9) for v in values] for name, values in named.items()}
    return {"bead_width_mm": list(BEAD_WIDTHS_MM), **shares}


def _gone(shape: Shape, width: float) -> float:
    """Area, mm^2, of the shape's parts that are narrower than the bead (its corners counted apart)."""
    low, high = shape.narrow
    body = shape.area - shape.corners * _corner(low)
    if width <= low:
        return 0.0
    if width > high:
        return body
    # Widths are spread evenly from low to high, so the area goes with the square of the width.
    return body * (width**2 - low**2) / (high**2 - low**2)


def _rounded(shape: Shape, width: float) -> float:
    return shape.corners * _corner(min(width, shape.narrow[0]))


def _corner(width: float) -> float:
    """Area, mm^2, that a disc of that diameter cannot reach in a right-angled corner."""
    return _CORNER * (width / 2.0) ** 2


def _smallest(slices: Sequence[Slice], recipe: Mapping[str, Any]) -> dict[str, float]:
    """Narrowest rib, stroke and slot finer than 2 mm; what has no corners and no wall is a stroke."""
    kinds = {one["shape"] for slab in recipe["slabs"] for one in slab.get("add", ())}
    thin = [s.narrow[0] for piece in slices for s in piece.added if s.narrow[0] < FINE_MM]
    slots = [s.narrow[0] for piece in slices for s in piece.cut if s.narrow[0] < FINE_MM]
    found: dict[str, float] = {}
    if thin:
        found["stroke_mm" if "strip" in kinds else "rib_mm"] = min(thin)
    if slots:
        found["slot_mm"] = min(slots)
    return found


def _walls(slices: Sequence[Slice]) -> list[tuple[float, float]]:
    """(area of wall in mm^2, |n_z|) of every outline in every slice."""
    return [
        (s.perimeter * piece.dz * math.hypot(1.0, s.lean), s.lean / math.hypot(1.0, s.lean))
        for piece in slices
        for s in (*piece.added, *piece.cut)
    ]


def _flat_area(slices: Sequence[Slice]) -> float:
    """Horizontal faces, mm^2: the bottom, the top, and every step of more than a leaning wall makes."""
    steps = pairwise(slices)
    stepped = sum(abs(a.area - b.area) for a, b in steps if not _leans(a, b))
    return slices[0].area + slices[-1].area + stepped


def _leans(*pieces: Slice) -> bool:
    return all(any(s.lean > 0.0 for s in piece.added) for piece in pieces)


def _slopes(slices: Sequence[Slice]) -> list[float]:
    areas = [0.0] * SLOPE_BINS
    for area, lean in _walls(slices):
        areas[min(SLOPE_BINS - 1, int(lean * SLOPE_BINS))] += area
    areas[-1] += _flat_area(slices)
    total = sum(areas)
    shares = [round(area / total, 9) for area in areas]
    return [*shares[:-1], round(1.0 - sum(shares[:-1]), 9)]
