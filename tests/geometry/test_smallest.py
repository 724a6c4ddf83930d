"""Strokes of lettering and radii of inner corners, on parts where both are known by construction."""

import math

import numpy as np
import pytest
from shapely.geometry import Point, box

from tests.geometry import shapes
from workers.geometry.inner_corners import inner_radii
from workers.geometry.summary import summarise

PLATE = shapes.box(30, 20, 4)


def smallest(body):
    return summarise(shapes.stl(body), fmt="stl", unit="mm").smallest


@pytest.mark.parametrize("stroke", [0.23, 0.47, 0.85, 1.3])
def test_a_raised_stroke_is_measured_beside_the_wall_that_is_none(stroke):
    """A wall of 8 mm height is no lettering, however thin."""
    part = PLATE + shapes.box(10, stroke, 0.8, (4, 5, 4)) + shapes.box(1.5, 9, 0.8, (20, 5, 4))
    found = smallest(part)
    assert found.stroke_mm == pytest.approx(stroke, abs=0.005)
    tall = smallest(PLATE + shapes.box(10, stroke, 8, (4, 5, 4)))
    assert (tall.rib_mm, tall.stroke_mm) == (pytest.approx(stroke, abs=0.005), None)


@pytest.mark.parametrize("stroke", [0.23, 0.6, 1.1])
@pytest.mark.parametrize("depth", [0.5, 2.0])
def test_an_engraved_stroke_is_measured_and_a_slot_through_is_none(stroke, depth):
    engraved = smallest(PLATE - shapes.box(10, stroke, depth + 1, (4, 5, 4 - depth)))
    assert engraved.stroke_mm == pytest.approx(stroke, abs=0.005)
    under = smallest(PLATE - shapes.box(10, stroke, depth + 1, (4, 5, -1)))
    assert under.stroke_mm == pytest.approx(stroke, abs=0.005)
    through = smallest(PLATE - shapes.box(10, stroke, 9, (4, 5, -1)))
    assert (through.slot_mm, through.stroke_mm) == (pytest.approx(stroke, abs=0.005), None)


def test_lettering_strips_give_their_narrowest_stroke():
    assert smallest(shapes.strips((0.55, 0.33, 1.1))).stroke_mm == pytest.approx(0.33, abs=0.005)


def eased_pocket(radius, facets):
    """A plate with a pocket whose corners are eased by a radius: hull of four cylinders."""
    corners = [(x, y) for x in (8 + radius, 20 - radius) for y in (5 + radius, 15 - radius)]
    return PLATE - shapes.Body.batch_hull([shapes.cylinder(2 * radius, 9, facets, (x, y, 1)) for x, y in corners])


# A chord polygon of a fillet is shorter than its arc by sin(x) / x, x half a facet: 0.6 % at 16 facets a turn.
@pytest.mark.parametrize("radius", [0.25, 0.5, 1.0, 1.8])
@pytest.mark.parametrize("facets", [16, 64])
def test_the_radius_of_a_pockets_corners(radius, facets):
    assert smallest(eased_pocket(radius, facets)).corner_radius_mm == pytest.approx(radius, rel=0.01)


def test_a_sharp_inner_corner_has_radius_nought_and_outer_corners_none():
    bracket = shapes.box(20, 4, 10) + shapes.box(4, 20, 10)
    assert smallest(bracket).corner_radius_mm == 0
    assert smallest(shapes.box(20, 20, 10)).corner_radius_mm is None


def test_a_round_hole_and_a_wide_fillet_are_no_tight_corner():
    assert smallest(PLATE - shapes.cylinder(1.5, 9, 48, (10, 10, -1))).corner_radius_mm is None
    assert smallest(eased_pocket(3.0, 64)).corner_radius_mm is None


def test_radii_of_rings_by_hand():
    """Material to the left: a square hole runs clockwise and has four inner corners of its own."""
    square = np.array([(0.0, 0), (0, 4), (4, 4), (4, 0)])
    assert list(inner_radii(square)) == [0.0]
    assert list(inner_radii(square[::-1])) == []
    eased = box(1, 1, 5, 5).buffer(0.7, quad_segs=16)
    radii = list(inner_radii(np.array(eased.exterior.coords[:-1])[:: -1 if eased.exterior.is_ccw else 1]))
    assert radii == pytest.approx([0.7] * 4, rel=1e-3)
    whole = np.array(Point(0, 0).buffer(1.0).exterior.coords[:-1])
    assert list(inner_radii(whole)) == []
    assert math.isclose(len(whole), 64)
