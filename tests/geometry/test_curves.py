"""Curves of single sections from touching discs, against shapely's (GEOS) offsets of the same sections."""

import math

import numpy as np
import pytest
import shapely
from shapely.affinity import rotate, scale, translate

from tests.geometry.sections import SQUARE, comb, of_many_kinds, rings, slotted, strip
from workers.geometry.curves import LayerCurves
from workers.geometry.granulometry import BEAD_WIDTHS_MM, GAIN, LOSS, filled, lost, radius_mm

RADII = np.array([radius_mm(width) for width in BEAD_WIDTHS_MM])


def curves(section):
    return LayerCurves.of(rings(section))


def at(curve, width):
    return float(curve[BEAD_WIDTHS_MM.index(width)])


def by_offsets(section, wider_mm=0.0):
    """(2, 16) what is lost and filled in all, from offsets with arcs of 64 segments a quarter turn."""
    fine = 64
    opened = [section.buffer(-r, quad_segs=fine).buffer(r, quad_segs=fine).area for r in RADII + wider_mm]
    closed = [section.buffer(r, quad_segs=fine).buffer(-r, quad_segs=fine).area for r in RADII + wider_mm]
    return np.array([section.area - np.array(opened), np.array(closed) - section.area])


@pytest.mark.parametrize("name", of_many_kinds())
def test_what_is_lost_and_filled_is_what_offsets_say(name):
    section = of_many_kinds()[name]
    found = curves(section)
    assert np.abs(found.feature + found.corner - by_offsets(section)).max() < 1e-3 * section.area


@pytest.mark.parametrize("name", of_many_kinds())
def test_features_and_corners_are_told_apart_as_by_offsets(name):
    """Offsets grow by a hair more before pieces are cut: what hangs together by less is then apart."""
    section = of_many_kinds()[name]
    found = curves(section)
    for side, change in ((LOSS, lost), (GAIN, filled)):
        true = [change(section, width).feature for width in BEAD_WIDTHS_MM]
        assert np.abs(found.feature[side] - true).max() < 1e-2 * section.area


@pytest.mark.parametrize("width", [0.2, 0.4, 0.45, 0.8, 1.25])
def test_a_rib_or_slot_exactly_as_wide_as_the_bead_is_kept(width):
    wider = BEAD_WIDTHS_MM[BEAD_WIDTHS_MM.index(width) + 1]
    rib, slot = curves(strip(width)), curves(slotted(width))
    assert at(rib.feature[LOSS], width) == 0.0
    assert at(slot.feature[GAIN], width) == 0.0
    assert at(rib.feature[LOSS], wider) == pytest.approx(10 * width, rel=1e-3)
    r = radius_mm(wider)  # a disc dips into the open end: a segment of height h, a closed form
    dip = r - math.sqrt(r * r - width * width / 4)
    mouth = r * r * math.acos(1 - dip / r) - (r - dip) * width / 2
    assert at(slot.feature[GAIN], wider) == pytest.approx(8 * width - mouth, rel=2e-3)


def test_steps_stay_steps():
    """A rib of 0.9 mm: nothing lost at 0.8, all of it at 1.0, and no ramp between."""
    found = curves(SQUARE.union(translate(strip(0.9), 0, 30)))
    assert at(found.feature[LOSS], 0.8) == pytest.approx(0, abs=1e-9)
    assert at(found.feature[LOSS], 1.0) == pytest.approx(9.0)
    assert found.feature[GAIN].max() == 0


# A disc leaves r^2 (tan(x / 2) - x / 2) of a corner that turns by x: two tangents less an arc (elementary, memory).
@pytest.mark.parametrize("degrees", [60, 90, 120, 150])
def test_a_corner_is_rounded_by_two_tangents_less_an_arc(degrees):
    half = math.radians(degrees / 2)
    wedge = shapely.Polygon([(0, 0), (9, 9 * math.tan(half)), (9, -9 * math.tan(half))])
    turns = np.array([math.pi - 2 * half, *[math.pi / 2 + half] * 2])
    true = (np.tan(turns / 2) - turns / 2).sum() * RADII**2
    found = curves(wedge)
    points = np.array([turn > 2 * math.acos(1 / 2.25) for turn in turns])
    assert found.feature[LOSS] + found.corner[LOSS] == pytest.approx(true, rel=1e-3)
    assert bool(found.feature[LOSS].any()) is bool(points.any())


@pytest.mark.parametrize(("stands_out", "is_feature"), [(0.05, False), (0.1, False), (0.2, True), (0.5, True)])
def test_a_low_bump_is_texture_and_a_higher_one_a_feature(stands_out, is_feature):
    assert bool(at(curves(comb(0.3, stands_out)).feature[LOSS], 0.4)) is is_feature


@pytest.mark.parametrize("name", of_many_kinds())
def test_curves_rise_and_do_not_mind_where_the_section_lies(name):
    section = of_many_kinds()[name]
    here, there = curves(section), curves(rotate(translate(section, 31, -17), 33, origin=(0, 0)))
    # corners fall to nothing where the feature they belong to is lost: it is the sum that rises (Matheron 1975)
    assert (np.diff(here.feature + here.corner, axis=1) >= -2e-4 * section.area).all()
    assert np.abs(here.feature - there.feature).max() < 1e-3 * section.area
    assert np.abs(here.corner - there.corner).max() < 1e-3 * section.area


def test_a_section_twice_as_large_loses_at_twice_the_width_four_times_as_much():
    section = of_many_kinds()["comb"]
    small, big = curves(section), curves(scale(section, 2, 2, origin=(0, 0)))
    for width in (0.2, 0.4, 0.8, 1.0):
        for one, other in ((small.feature, big.feature), (small.corner, big.corner)):
            for side in (LOSS, GAIN):
                assert at(other[side], 2 * width) == pytest.approx(4 * at(one[side], width), rel=2e-3, abs=1e-6)


def test_where_features_are_lies_in_them_and_says_how_thick_they_are():
    found = curves(comb(0.7))
    (place,) = [row for row in found.places[LOSS] if BEAD_WIDTHS_MM[int(row[0])] == 0.8]
    assert shapely.box(9, 20, 9.7, 23).contains(shapely.Point(place[1], place[2]))
    assert 2 * place[4] == pytest.approx(0.7)
    assert not len(found.places[GAIN])


def test_nothing_is_lost_of_an_empty_section():
    found = curves(shapely.Polygon())
    assert not found.feature.any()
    assert not found.corner.any()


@pytest.mark.parametrize("seed", range(40))
def test_any_heap_of_boxes_loses_what_offsets_say(seed):
    """Within 2 % of a disc's area a corner, of radii within 3 um: at some radius a disc more or less finds room."""
    rng = np.random.default_rng(seed)
    boxes = rng.uniform((0, 0, 0.08, 0.08, 0), (8, 8, 4, 4, 3), (rng.integers(1, 10), 5))
    section = shapely.union_all(
        [rotate(shapely.box(x, y, x + a, y + b), t, use_radians=True) for x, y, a, b, t in boxes]
    )
    found = curves(section)
    corners = sum(len(ring) for ring in rings(section))
    less, more = (by_offsets(section, wider) for wider in (-0.003, 0.003))
    low, high = np.minimum(less, more), np.maximum(less, more)
    room = 0.02 * math.pi * RADII**2 * corners + 1e-4 * section.area
    total = found.feature + found.corner
    assert (total >= low - room).all()
    assert (total <= high + room).all()
