"""Openings and closings of single sections: what is a feature, what is a corner, and the steps between."""

import math

import pytest
import shapely
from shapely.affinity import scale, translate

from tests.geometry import sections
from tests.geometry.sections import SQUARE, comb, slotted, strip
from workers.geometry.granulometry import BEAD_WIDTHS_MM, filled, lost


def test_a_rib_narrower_than_the_bead_is_lost_whole_and_a_wider_one_is_not():
    assert lost(strip(0.3), 0.4).feature == pytest.approx(3.0)
    assert lost(strip(0.5), 0.4).feature == 0.0


@pytest.mark.parametrize("width", [0.2, 0.4, 0.45, 0.8, 1.25])
def test_a_rib_or_slot_exactly_as_wide_as_the_bead_is_kept(width):
    assert lost(strip(width), width).feature == 0.0
    assert filled(slotted(width), width).feature == 0.0
    assert lost(strip(width), width * 1.01).feature == pytest.approx(10 * width)
    mouth = math.pi * width**2 / 8  # the disc dips half of itself into the open end
    assert filled(slotted(width), width * 1.01).feature == pytest.approx(8 * width - mouth, rel=0.01)


def test_a_rib_on_a_body_is_lost_and_the_body_kept():
    change = lost(comb(0.3), 0.4)
    assert change.feature == pytest.approx(0.9, rel=0.05)
    assert len(change.pieces) == 1


@pytest.mark.parametrize(("stands_out", "is_feature"), [(0.05, False), (0.1, False), (0.2, True), (0.5, True)])
def test_a_low_bump_is_texture_and_a_higher_one_a_feature(stands_out, is_feature):
    assert bool(lost(comb(0.3, stands_out), 0.4).feature) is is_feature


@pytest.mark.parametrize(
    ("angle", "is_point"), [(90, False), (60, False), (56, False), (49, True), (45, True), (30, True)]
)
@pytest.mark.parametrize("width", [0.2, 0.4, 1.0])
def test_corners_are_roundings_down_to_53_degrees_and_points_below(angle, is_point, width):
    half = math.radians(angle / 2)
    wedge = shapely.Polygon([(0, 0), (20, 20 * math.tan(half)), (20, -20 * math.tan(half))])
    wedge = wedge.intersection(shapely.Point(0, 0).buffer(15, quad_segs=200))
    change = lost(wedge, width)
    tip = [p for p in change.pieces if p.distance(shapely.Point(0, 0)) < 1e-6]
    assert bool(tip) is is_point
    assert change.corner + change.feature > 0


@pytest.mark.parametrize(("angle", "is_point"), [(90, False), (60, False), (45, True), (30, True)])
def test_inner_corners_follow_the_same_rule(angle, is_point):
    half = math.radians(angle / 2)
    notch = shapely.Polygon([(0, 0), (30, 30 * math.tan(half)), (30, -30 * math.tan(half))])
    change = filled(shapely.box(-10, -20, 20, 20).difference(notch), 0.5)
    assert bool(change.feature) is is_point


def test_a_thin_wall_between_two_holes_is_a_feature():
    holes = shapely.MultiPoint([(-3.1, 0), (3.1, 0)]).buffer(3, quad_segs=64)
    body = shapely.box(-15, -15, 15, 15).difference(holes)
    assert lost(body, 0.15).feature == 0
    assert lost(body, 0.4).feature > 0
    assert lost(body, 0.4).pieces[0].distance(shapely.Point(0, 0)) < 1e-9


def test_a_small_hole_and_a_gap_between_parts_are_filled():
    assert filled(SQUARE.difference(shapely.Point(10, 10).buffer(0.2, quad_segs=32)), 0.5).feature > 0.1
    two = shapely.union_all([SQUARE, translate(SQUARE, 20.3)])
    assert filled(two, 0.5).feature == pytest.approx(0.3 * 20, rel=0.02)
    assert filled(two, 0.25).feature == 0


def test_smooth_outlines_lose_nothing():
    disc = shapely.Point(0, 0).buffer(8, quad_segs=64)
    ring = disc.difference(shapely.Point(0, 0).buffer(4, quad_segs=64))
    for width in BEAD_WIDTHS_MM:
        assert lost(ring, width).feature == 0
        assert filled(ring, width).feature == 0
        assert lost(ring, width).corner < 2e-3 * ring.area


def test_what_is_narrower_than_the_bead_everywhere_is_lost_whole():
    change = lost(strip(0.3), 2.0)
    assert (change.feature, change.corner) == (pytest.approx(3.0), 0.0)


def test_a_section_twice_as_large_loses_at_twice_the_width_four_times_as_much():
    section = sections.of_many_kinds()["comb"]
    large = scale(section, 2, 2, origin=(0, 0))
    for width in (0.2, 0.4, 0.8, 1.0):
        for change in (lost, filled):
            small, big = change(section, width), change(large, 2 * width)
            assert big.feature == pytest.approx(4 * small.feature, rel=1e-6)
            assert big.corner == pytest.approx(4 * small.corner, rel=1e-3, abs=1e-6)


def test_a_section_with_stray_lines_and_an_empty_one_are_taken_as_they_print():
    comb_and_line = shapely.GeometryCollection([comb(0.3), shapely.LineString([(40, 0), (60, 0)])])
    for change in (lost, filled):
        one, other = change(comb_and_line, 0.4), change(comb(0.3), 0.4)
        assert (one.feature, one.corner) == pytest.approx((other.feature, other.corner))
        nothing = change(shapely.Polygon(), 0.4)
        assert (nothing.feature, nothing.corner, nothing.pieces) == (0, 0, ())
