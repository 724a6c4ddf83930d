"""Strength between layers: a note, and for load-bearing jobs a gate. Never a score.

It follows layer height over bore, hardly the bore itself (PLA; Polymers 2018, 10(3), 313).
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from workers.learning.arrays import Array, floats
from workers.process.tables import number, rows

# Engineering prior on the measured table: to h/d 0.5 about 50 MPa are left in PLA at every bore, beyond it less.
HEIGHT_TO_BORE_LOAD_MAX = 0.5

_ROUND_OFF = 1e-9


def layer_ratio(layer_height_mm: ArrayLike, bore_mm: ArrayLike) -> Array:
    """Layer height over bore."""
    return floats(layer_height_mm) / floats(bore_mm)


def load_bearing_ok(layer_height_mm: ArrayLike, bore_mm: ArrayLike) -> NDArray[np.bool_]:
    """Whether a layer is low enough against the bore for a part that bears load. Broadcasts."""
    return layer_ratio(layer_height_mm, bore_mm) <= HEIGHT_TO_BORE_LOAD_MAX + _ROUND_OFF


def interlayer_strength_mpa(layer_height_mm: ArrayLike, bore_mm: ArrayLike) -> Array:
    """Interlayer strength, MPa, of PLA at that h/d: the measured means, straight lines between, ends held.

    For other polymers only the trend may be read from it.
    """
    ratios, strengths = _measured()
    return np.interp(layer_ratio(layer_height_mm, bore_mm), ratios, strengths)


@cache
def _measured() -> tuple[Array, Array]:
    """Mean strength at each measured h/d, rising in h/d."""
    by_ratio: dict[float, list[float]] = {}
    for row in rows("interlayer_strength.csv"):
        ratio = round(number(row["layer_height_mm"]) / number(row["bore_mm"]), 4)
        by_ratio.setdefault(ratio, []).append(number(row["strength_mpa"]))
    ratios = sorted(by_ratio)
    return np.array(ratios), np.array([sum(by_ratio[r]) / len(by_ratio[r]) for r in ratios])
