"""Bead cross-section against closed forms and an independent geometry library."""

from __future__ import annotations

import math

import pytest
from shapely import LineString, Point

from workers.process.bead import bead_area, bead_spacing


@pytest.mark.parametrize(
    ("width", "height", "area"), [(0.45, 0.20, 0.0814159), (0.6, 0.3, 0.160686), (0.8, 0.4, 0.285664)]
)
def test_bead_area_is_a_rectangle_with_round_ends(width: float, height: float, area: float) -> None:
    """Worked by hand from h (w - h) + pi h^2 / 4, the area of a stadium."""
    assert bead_area(width, height) == pytest.approx(area, rel=1e-5)


@pytest.mark.parametrize(("width", "height"), [(0.45, 0.2), (0.9, 0.3), (0.4, 0.4)])
def test_bead_area_agrees_with_a_buffered_line(width: float, height: float) -> None:
    """Reference: shapely's round buffer of a segment is the same stadium (or disc)."""
    core = LineString([(0, 0), (width - height, 0)]) if width > height else Point(0, 0)
    assert bead_area(width, height) == pytest.approx(core.buffer(height / 2, quad_segs=256).area, rel=1e-4)


def test_a_round_bead_has_the_area_of_a_circle() -> None:
    """Closed form: w = h gives pi d^2 / 4."""
    assert bead_area(0.5, 0.5) == pytest.approx(math.pi * 0.25 / 4)


def test_beads_side_by_side_fill_the_layer() -> None:
    """Conservation of volume: one bead a spacing lays spacing x height."""
    assert bead_spacing(0.6, 0.3) * 0.3 == pytest.approx(float(bead_area(0.6, 0.3)))


@pytest.mark.parametrize(("bore", "ratio"), [(0.5, 1.5625), (0.6, 2.25)])
def test_beads_of_the_same_shape_grow_as_the_square_of_the_bore(bore: float, ratio: float) -> None:
    """Areas of similar figures: 0.5 against 0.4 mm 1.5625, 0.6 against 0.4 mm 2.25."""
    shape = (1.1, 0.5)
    grown = bead_area(shape[0] * bore, shape[1] * bore) / bead_area(shape[0] * 0.4, shape[1] * 0.4)
    assert grown == pytest.approx(ratio)
