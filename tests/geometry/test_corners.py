"""Corners of outlines and Steiner's formula, against shapely's (GEOS) own offsets and closed forms."""

import math

import numpy as np
import pytest
import shapely

from workers.geometry.corners import Corners

SQUARE = shapely.box(0, 0, 20, 20)
FRAMED = SQUARE.difference(shapely.box(5, 5, 9, 12)).union(shapely.box(30, 0, 36, 3))
HEXAGON = shapely.Polygon([(math.cos(k * math.pi / 3), math.sin(k * math.pi / 3)) for k in range(6)])


def test_convex_and_concave_corners_are_told_apart_whatever_way_the_rings_run():
    for shape in (FRAMED, shapely.reverse(FRAMED)):
        corners = Corners.of(shape)
        assert (corners.parts[0], corners.holes[0]) == (2, 1)
        assert len(corners.tips(np.array([0]))[1]) == 8
        assert corners.sharpest_inner()[0] == pytest.approx(math.pi / 2)
        assert corners.length[0] == pytest.approx(shape.length)


# Every outer outline turns by a full circle in all, every hole by as much the other way (Hopf's Umlaufsatz).
def test_turns_sum_to_a_full_circle_an_outline():
    corners = Corners.of(FRAMED)
    assert corners.turns.sum() == pytest.approx(2 * math.pi * (2 - 1))


# Steiner's formula for a convex body: A + P d + pi d^2.
@pytest.mark.parametrize("distance", [0.1, 0.5, 2.0])
def test_a_convex_outline_grows_by_steiners_formula(distance):
    grown = Corners.of(HEXAGON).grown_areas(np.array([distance]))[0]
    assert grown == pytest.approx(HEXAGON.area + HEXAGON.length * distance + math.pi * distance**2)


@pytest.mark.parametrize("distance", [-1.2, -0.3, 0.2, 1.0])
def test_offsets_that_meet_nothing_have_the_area_of_the_offset_outline(distance):
    area = Corners.of(FRAMED).grown_areas(np.array([distance]))[0]
    assert area == pytest.approx(FRAMED.buffer(distance, quad_segs=200).area, rel=1e-6)


def test_a_corner_is_kept_only_where_nothing_else_cuts_it():
    """A square with a rib on one side: the rib's two corners are gone after the offset, the square's four stay."""
    comb = SQUARE.union(shapely.box(9, 20, 9.3, 22))
    before, after = Corners.of(comb), Corners.of(comb.buffer(-0.2))
    place, tips = before.tips(np.array([0]))
    gone = before.points[tips][~before.kept(tips, after, place, np.full(len(tips), 0.2))]
    assert sorted(map(tuple, gone.round(6))) == [(9.0, 22.0), (9.3, 22.0)]


def test_many_shapes_at_once_are_each_as_if_alone():
    shapes = np.array([FRAMED, HEXAGON, shapely.Polygon(), SQUARE], dtype=object)
    together, distance = Corners.of(shapes), np.array([-0.3, 0.2, 0.1, 1.0])
    alone = [Corners.of(shape) for shape in shapes]
    assert [int(n) for n in together.parts] == [2, 1, 0, 1]
    for name in ("length", "parts", "holes", "areas"):
        assert getattr(together, name) == pytest.approx([float(getattr(one, name)[0]) for one in alone])
    each = [one.grown_areas(d[None])[0] for one, d in zip(alone, distance, strict=True)]
    assert together.grown_areas(distance) == pytest.approx(each)
    place, tips = together.tips(np.array([3, 0]))
    assert np.bincount(place).tolist() == [4, 8]
    assert set(together.owner[tips]) == {0, 3}


# A disc cuts r^2 (tan(x / 2) - x / 2) off a corner that turns by x: two tangents less an arc (elementary, memory).
def test_what_is_cut_off_corners_is_told_from_their_turns():
    sharp, blunt = Corners.of([SQUARE, HEXAGON]).rounded(2.0, 0.4)
    assert sharp.tolist() == [0, 0]
    assert blunt[0] == pytest.approx(4 - math.pi)
    assert blunt[1] == pytest.approx(6 * (math.tan(math.pi / 6) - math.pi / 6))
    assert Corners.of(HEXAGON).rounded(2.0, 1.0)[1][0] == 0  # its sides are too short for that disc
