"""Islands and voids of sections: nothing is left out; opening the voids is closing the material (shapely's offsets)."""

import numpy as np
import pytest
import shapely

from workers.geometry.openings import FINE_ARC_SEGMENTS, openings
from workers.geometry.regions import clipped, islands, voids

ISLE = shapely.box(8, 8, 10, 10.2)
FRAMED = shapely.box(0, 0, 20, 20).difference(shapely.box(5, 5, 15, 15)).union(ISLE)
TWO = FRAMED.union(shapely.box(20.4, 0, 30, 20))


@pytest.mark.parametrize(
    ("section", "solid", "void"), [(FRAMED, 2, 2), (TWO, 3, 2), (ISLE, 1, 1), (shapely.Polygon(), 0, 0)]
)
def test_material_and_void_fill_the_plane_without_overlap(section, solid, void):
    material, empty = shapely.union_all(islands(section)), shapely.union_all(voids(section))
    assert (len(islands(section)), len(voids(section))) == (solid, void)
    assert material.area == pytest.approx(section.area)
    if void:
        around = shapely.box(*section.bounds).buffer(2)
        assert empty.intersection(section).area == pytest.approx(0, abs=1e-9)
        assert around.difference(section).difference(empty).area == pytest.approx(0, abs=1e-9)


def test_an_isle_in_a_hole_is_a_hole_of_that_void():
    assert sorted(len(void.interiors) for void in voids(FRAMED)) == [1, 1]


@pytest.mark.parametrize("radius", [0.1, 0.3, 0.9])
def test_opening_the_voids_is_closing_the_material(radius):
    closed = TWO.buffer(radius, quad_segs=64).buffer(-radius, quad_segs=64)
    empty = voids(TWO)
    changes = openings(empty, np.full(len(empty), radius), FINE_ARC_SEGMENTS)
    opened = sum(change.feature + change.corner for change in changes)
    assert opened == pytest.approx(closed.area - TWO.area, abs=0.01 * radius**2 * 10)


def test_lines_and_points_that_a_cut_leaves_are_dropped():
    mixed = shapely.GeometryCollection([FRAMED, shapely.LineString([(30, 0), (40, 0)]), shapely.Point(50, 50)])
    assert shapely.union_all(islands(mixed)).equals(FRAMED)
    assert clipped(mixed, (0, 0, 30, 20)).area == pytest.approx(FRAMED.area)
    assert clipped(FRAMED, (-1, -1, 2, 2)).area == pytest.approx(4)


def many():
    """Polygons with ribs, holes, thin walls and sharp tips."""
    comb = shapely.union_all([shapely.box(0, 0, 12, 6), *(shapely.box(x, 6, x + 0.2 * x, 8) for x in (1, 3, 6))])
    star = shapely.Polygon(
        [
            (k % 2 * 3 + 2, 0) if k == 0 else ((2 + 3 * (k % 2)) * np.cos(k / 2), (2 + 3 * (k % 2)) * np.sin(k / 2))
            for k in range(12)
        ]
    )
    holed = shapely.Point(0, 0).buffer(6).difference(shapely.MultiPoint([(-2.1, 0), (2.1, 0)]).buffer(2))
    return [comb, star, holed, shapely.box(0, 0, 0.3, 9), shapely.box(0, 0, 9, 9)]


def test_polygons_taken_together_are_each_as_if_alone():
    shapes = np.array(many())
    radii = np.array([0.1, 0.25, 0.5, 0.8])
    which, radius = np.repeat(np.arange(len(shapes)), len(radii)), np.tile(radii, len(shapes))
    together = openings(shapes[which], radius)
    for k, r, change in zip(which, radius, together, strict=True):
        (alone,) = openings(shapes[k : k + 1], np.array([r]))
        assert (change.feature, change.corner) == pytest.approx((alone.feature, alone.corner))
        assert len(change.pieces) == len(alone.pieces)


def test_features_and_corners_together_are_what_the_offsets_themselves_leave():
    """Within 0.3 % of a disc's area a shape of shapely's offsets with 64 segments a quarter turn."""
    shapes = np.array(many())
    for r in (0.1, 0.25, 0.5, 0.8):
        changes = openings(shapes, np.full(len(shapes), r), FINE_ARC_SEGMENTS)
        true = [s.area - s.buffer(-r, quad_segs=64).buffer(r, quad_segs=64).area for s in shapes]
        assert [c.feature + c.corner for c in changes] == pytest.approx(true, abs=0.003 * np.pi * r**2)
