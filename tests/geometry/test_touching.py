"""Largest touching discs: closed forms, and shapely's (GEOS) distances between discs' centres and outlines."""

import math

import numpy as np
import pytest
import shapely

from tests.geometry.sections import of_many_kinds, rings
from workers.geometry.touching import Places


def places(section, most=50.0):
    return Places.of(rings(section), most)


def slivers(found):
    """The area that all slivers have together: between feet and centres, radii linear from place to place."""
    total = 0.0
    for low, high in zip(found.starts[:-1], found.starts[1:], strict=True):
        foot, normal, radius = (values[low:high] for values in (found.foot, found.normal, found.radius))
        length = np.hypot(*np.diff(foot, axis=0).T)
        turn = np.arccos(np.clip((normal[1:] * normal[:-1]).sum(axis=1), -1, 1))
        one, other = radius[:-1], radius[1:]
        total += (length * (one + other) / 2 + turn * (one**2 + one * other + other**2) / 6).sum()
    return total


@pytest.mark.parametrize("name", of_many_kinds())
def test_slivers_fill_the_section_once(name):
    """Each point but those of the medial axis has one nearest point of the outline (Blum 1967)."""
    section = of_many_kinds()[name]
    assert slivers(places(section)) == pytest.approx(section.area, rel=1e-3)


@pytest.mark.parametrize("name", of_many_kinds())
def test_no_outline_enters_a_disc_and_each_touches_its_foot(name):
    section = of_many_kinds()[name]
    found = places(section)
    centres = shapely.points(found.foot + found.normal * found.radius[:, None])
    distance = shapely.distance(shapely.boundary(section), centres)
    assert distance == pytest.approx(found.radius, abs=1e-6)
    assert (shapely.distance(section, centres) < 1e-6).all()


def test_along_a_strip_discs_are_half_as_wide_and_fall_to_nothing_at_its_corners():
    """The bisectors of right angles, and the line between them."""
    found = places(shapely.box(0, 0, 10, 3))
    x, y = found.foot.T
    long = (np.abs(found.normal[:, 1]) == 1) & (x > 0) & (x < 10)
    assert found.radius[long] == pytest.approx(
        np.minimum(1.5, np.minimum(x, 10 - x)[long])
    )  # bisectors of right angles
    assert found.radius.max() == pytest.approx(1.5)
    corners = (np.minimum(x, 10 - x) == 0) & (np.minimum(y, 3 - y) == 0)
    assert found.radius[corners] == pytest.approx(0.0)


@pytest.mark.parametrize("degrees", [20, 50, 90, 130])
def test_in_a_wedge_radii_rise_as_the_tangent_of_half_its_angle(degrees):
    half = math.radians(degrees / 2)
    wedge = shapely.Polygon(
        [(0, 0), (20 * math.cos(half), -20 * math.sin(half)), (20 * math.cos(half), 20 * math.sin(half))]
    )
    found = places(wedge, most=1.0)
    apart = np.hypot(*found.foot.T)
    near = (apart < 1.0 / math.tan(half)) & (apart < 10)
    assert found.radius[near] == pytest.approx(apart[near] * math.tan(half), abs=1e-9)


def test_a_straight_edge_across_from_a_corner_gives_a_parabola():
    """Equally far from a line and a point at height h: r = (x^2 + h^2) / 2h."""
    section = shapely.box(-9, 0, 9, 12).difference(shapely.Polygon([(0, 2), (4, 12), (-4, 12)]))
    found = places(section)
    x, y = found.foot.T
    base = (y == 0) & (np.abs(x) < 0.7)
    assert base.sum() > 5
    assert found.radius[base] == pytest.approx((x[base] ** 2 + 4) / 4)


def test_larger_discs_count_as_the_most_and_no_ring_has_no_places():
    assert places(shapely.box(0, 0, 90, 90), most=1.25).radius.max() == 1.25
    none = Places.of([], 1.0)
    assert (len(none.radius), none.starts.tolist()) == (0, [0])


def test_a_corner_given_twice_changes_nothing():
    (ring,) = rings(shapely.box(0, 0, 4, 2))
    once, twice = Places.of([ring], 5.0), Places.of([np.repeat(ring, [1, 3, 1, 2], axis=0)], 5.0)
    assert slivers(twice) == pytest.approx(slivers(once), rel=1e-9)


def test_where_outlines_touch_there_is_no_disc():
    found = places(shapely.MultiPolygon([shapely.box(0, 0, 2, 2), shapely.box(2, 2, 4, 4)]))
    met = (found.foot == 2).all(axis=1)
    assert found.radius[met] == pytest.approx(0.0)


@pytest.mark.parametrize("seed", range(40))
def test_slivers_of_any_star_fill_it(seed):
    rng = np.random.default_rng(seed)
    angles = np.cumsum(rng.uniform(0.05, 1, rng.integers(3, 25)))
    angles *= 2 * math.pi / (angles[-1] + 0.3)
    radii = rng.uniform(0.3, 5, len(angles))
    star = shapely.Polygon(np.stack([radii * np.cos(angles), radii * np.sin(angles)], axis=1))
    assert slivers(places(star)) == pytest.approx(star.area, rel=3e-3)
