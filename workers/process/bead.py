"""The bead: its cross-section, and the beads that a bore is tried with."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from workers.learning.arrays import Array, floats

# Common practice, no source: what a bore can lay, as a share of its diameter.
WIDTH_RANGE = (0.9, 1.25)
HEIGHT_RANGE = (0.2, 0.75)
# The beads tried: 4 widths x 3 layer heights inside that range.
WIDTH_SHARES = (0.9, 1.0, 1.1, 1.25)
HEIGHT_SHARES = (0.25, 0.5, 0.7)
BEADS_PER_BORE = len(WIDTH_SHARES) * len(HEIGHT_SHARES)

WIDTH_ERROR = 0.05  # engineering prior: nine beads in ten come out within this share of the width drawn

_ROUND_OFF = 1e-9


def bead_area(width_mm: ArrayLike, height_mm: ArrayLike) -> Array:
    """Cross-section, mm^2, of a bead: a rectangle with semicircular ends, for height <= width."""
    width, height = floats(width_mm), floats(height_mm)
    return (width - height) * height + (math.pi / 4.0) * height * height


def bead_spacing(width_mm: ArrayLike, height_mm: ArrayLike) -> Array:
    """Distance, mm, between neighbouring beads that fills a layer without gap or surplus: area / height."""
    return bead_area(width_mm, height_mm) / floats(height_mm)


def bead_grid(bore_mm: float) -> tuple[Array, Array]:
    """Widths (B,) and layer heights (B,), mm, of the beads tried with a bore, width varying slowest."""
    widths = np.repeat(WIDTH_SHARES, len(HEIGHT_SHARES)) * bore_mm
    heights = np.tile(HEIGHT_SHARES, len(WIDTH_SHARES)) * bore_mm
    return np.round(widths, 6), np.round(heights, 6)


def width_limits(bore_mm: float) -> tuple[float, float]:
    """Narrowest and widest bead, mm, of a bore (common practice, no source)."""
    return WIDTH_RANGE[0] * bore_mm, WIDTH_RANGE[1] * bore_mm


def height_limits(bore_mm: float) -> tuple[float, float]:
    """Lowest and highest layer, mm, of a bore (common practice, no source)."""
    return HEIGHT_RANGE[0] * bore_mm, HEIGHT_RANGE[1] * bore_mm


def bead_in_range(bore_mm: float, width_mm: float, height_mm: float) -> bool:
    """Whether a bore can lay that bead: width and height in range, and not higher than wide."""
    return (
        _inside(width_mm, width_limits(bore_mm))
        and _inside(height_mm, height_limits(bore_mm))
        and height_mm <= width_mm
    )


def _inside(value: float, limits: tuple[float, float]) -> bool:
    return limits[0] - _ROUND_OFF <= value <= limits[1] + _ROUND_OFF
