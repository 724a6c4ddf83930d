"""Corners of outlines and Steiner's formula, against shapely's (GEOS) own offsets and closed forms."""

import math

import numpy as np
import pytest
import shapely

from workers.geometry.corners import Corners, polygons_of

SQUARE = shapely.box(0, 0, 20, 20)
FRAMED = SQUARE.difference(shapely.box(5, 5, 9, 12)).union(shapely.box(30, 0, 36, 3))
HEXAGON = shapely.Polygon([(math.cos(k * math.pi / 3), math.sin(k * math.pi / 3)) for k in range(6)])


def test_convex_and_concave_corners_are_told_apart_whatever_way_the_rings_run():
    for shape in (FRAMED, shapely.reverse(FRAMED)):
        corners = Corners.of(shape)
        assert (corners.parts, corners.holes) == (2, 1)
        assert (len(corners.tips(1)), len(corners.tips(-1))) == (8, 4)
        assert corners.length == pytest.approx(shape.length)


# Every outer outline turns by a full circle in all, every hole by as much the other way (Hopf's Umlaufsatz).
def test_turns_sum_to_a_full_circle_an_outline():
    corners = Corners.of(FRAMED)
    assert corners.turns.sum() == pytest.approx(2 * math.pi * (2 - 1))


# Steiner's formula for a convex body: A + P d + pi d^2.
@pytest.mark.parametrize("distance", [0.1, 0.5, 2.0])
def test_a_convex_outline_grows_by_steiners_formula(distance):
    grown = Corners.of(HEXAGON).grown_area(HEXAGON.area, distance)
    assert grown == pytest.approx(HEXAGON.area + HEXAGON.length * distance + math.pi * distance**2)


@pytest.mark.parametrize("distance", [-1.2, -0.3, 0.2, 1.0])
def test_offsets_that_meet_nothing_have_the_area_of_the_offset_outline(distance):
    area = Corners.of(FRAMED).grown_area(FRAMED.area, distance)
    assert area == pytest.approx(FRAMED.buffer(distance, quad_segs=200).area, rel=1e-6)


def test_a_corner_is_kept_only_where_nothing_else_cuts_it():
    """A square with a rib on one side: the rib's two corners are gone after the offset, the square's four stay."""
    comb = SQUARE.union(shapely.box(9, 20, 9.3, 22))
    before, after = Corners.of(comb), Corners.of(comb.buffer(-0.2))
    tips = before.tips(1)
    gone = before.points[tips][~before.kept(tips, after, 0.2)]
    assert sorted(map(tuple, gone.round(6))) == [(9.0, 22.0), (9.3, 22.0)]


def test_runs_cover_the_outline_once():
    runs = Corners.of(shapely.Point(0, 0).buffer(5, quad_segs=13).union(FRAMED)).runs
    assert shapely.length(runs).sum() == pytest.approx(shapely.union_all(runs).length)
    assert shapely.get_num_points(runs).max() <= 9
    assert np.isfinite(shapely.get_coordinates(runs)).all()


def test_lines_and_points_that_a_cut_leaves_are_dropped():
    mixed = shapely.GeometryCollection([SQUARE, shapely.LineString([(30, 0), (40, 0)]), shapely.Point(50, 50)])
    assert polygons_of(mixed).equals(SQUARE)
    assert polygons_of(FRAMED) is FRAMED
    assert polygons_of(shapely.GeometryCollection()).is_empty
