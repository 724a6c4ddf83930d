"""Openings and closings of single sections: what is a feature, what is a corner, and the steps between."""

import math

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, scale, translate

from workers.geometry.granulometry import BEAD_WIDTHS_MM, GAIN, LOSS, LayerCurves, filled, lost

SQUARE = shapely.box(0, 0, 20, 20)


def strip(width, length=10.0):
    return shapely.box(0, 0, length, width)


def comb(rib, height=3.0):
    """A bar with one rib standing on it."""
    return SQUARE.union(shapely.box(9, 20, 9 + rib, 20 + height))


def slotted(slot, depth=8.0):
    return SQUARE.difference(shapely.box(9, 20 - depth, 9 + slot, 21))


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


def shapes_of_many_kinds():
    strokes = [translate(strip(w), 0, 3 * i) for i, w in enumerate((0.15, 0.35, 0.62, 0.9, 1.7))]
    turns = [(i * math.pi / 7, 8 if i % 2 else 3) for i in range(14)]
    return {
        "comb": comb(0.7),
        "slotted": slotted(1.1),
        "knurled": shapely.union_all([SQUARE, *(shapely.box(x, 19, x + 0.85, 20.35) for x in range(1, 19, 2))]),
        "letters": shapely.union_all(strokes),
        "star": shapely.Polygon([(r * math.cos(t), r * math.sin(t)) for t, r in turns]),
    }


def computed(curves):
    """How many widths were, on both sides together."""
    return sum(len(side.pieces) for side in curves.sides)


@pytest.mark.parametrize("name", shapes_of_many_kinds())
def test_widths_left_out_follow_the_law_within_the_slack(name):
    """The curves computed at a few widths agree with those computed at every one."""
    section = shapes_of_many_kinds()[name]
    slack = 2e-4 * section.area
    quick, full = LayerCurves(section, slack).computed(), LayerCurves(section, -1.0).computed()
    assert computed(quick) < computed(full) == 32
    assert np.abs(quick.feature - full.feature).max() <= 1.01 * slack
    assert np.abs(quick.corner - full.corner).max() <= 3 * slack


@pytest.mark.parametrize("name", shapes_of_many_kinds())
def test_curves_rise_and_do_not_mind_where_the_section_lies(name):
    section = shapes_of_many_kinds()[name]
    here = LayerCurves(section, -1.0).computed()
    there = LayerCurves(rotate(translate(section, 31, -17), 33, origin=(0, 0)), -1.0).computed()
    # corners fall to nothing where the feature they belong to is lost: it is the sum that rises (Matheron 1975)
    assert (np.diff(here.feature + here.corner, axis=1) >= -1e-9).all()
    assert np.abs(here.feature - there.feature).max() < 2e-3 * section.area
    assert np.abs(here.corner - there.corner).max() < 2e-3 * section.area


def test_a_section_twice_as_large_loses_at_twice_the_width_four_times_as_much():
    section = shapes_of_many_kinds()["comb"]
    large = scale(section, 2, 2, origin=(0, 0))
    for width in (0.2, 0.4, 0.8, 1.0):
        for change in (lost, filled):
            small, big = change(section, width), change(large, 2 * width)
            assert big.feature == pytest.approx(4 * small.feature, rel=1e-6)
            assert big.corner == pytest.approx(4 * small.corner, rel=1e-3, abs=1e-6)


def test_steps_stay_steps():
    """A rib of 0.9 mm: nothing lost at 0.8, all of it at 1.0, and no ramp between."""
    curves = LayerCurves(SQUARE.union(translate(strip(0.9), 0, 30)), 1e-3).computed()
    loss = dict(zip(BEAD_WIDTHS_MM, curves.feature[LOSS], strict=True))
    assert loss[0.8] == pytest.approx(0, abs=1e-3)
    assert loss[1.0] == pytest.approx(9.0)
    assert curves.feature[GAIN].max() < 1e-3


@pytest.mark.parametrize("name", shapes_of_many_kinds())
def test_what_is_expected_is_taken_only_where_it_is_true(name):
    """A true expectation saves widths; one that is five slacks off does no harm."""
    section = shapes_of_many_kinds()[name]
    slack = 1e-3 * section.area
    full, plain = LayerCurves(section, -1.0).computed(), LayerCurves(section, slack).computed()
    true = np.stack([full.feature, full.corner])
    informed = LayerCurves(section, slack, expected=true).computed()
    misled = LayerCurves(section, slack, expected=true + 5 * slack).computed()
    assert computed(informed) <= computed(plain)
    for curves in (informed, misled):
        assert np.abs(curves.feature - full.feature).max() <= 1.01 * slack
        assert np.abs(curves.corner - full.corner).max() <= 3 * slack


def test_a_section_with_stray_lines_and_an_empty_one_are_taken_as_they_print():
    comb_and_line = shapely.GeometryCollection([comb(0.3), shapely.LineString([(40, 0), (60, 0)])])
    for change in (lost, filled):
        one, other = change(comb_and_line, 0.4), change(comb(0.3), 0.4)
        assert (one.feature, one.corner) == pytest.approx((other.feature, other.corner))
        nothing = change(shapely.Polygon(), 0.4)
        assert (nothing.feature, nothing.corner, nothing.pieces) == (0, 0, ())
