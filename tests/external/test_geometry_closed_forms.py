"""Geometry against closed forms of solid and integral geometry, textbook values and a general reader.

Sources stand beside each check. "From memory": known mathematics, not read again.
"""

import io
import math

import numpy as np
import pytest
import shapely

from tests.geometry import shapes
from workers.geometry.granulometry import BEAD_WIDTHS_MM, filled, lost
from workers.geometry.load import load_mesh
from workers.geometry.summary import summarise
from workers.model.part import FeatureKind


# Opening a square by a disc of radius r removes (4 - pi) r^2 at its four corners (integral geometry, Serra 1982).
@pytest.mark.parametrize("radius", [0.1, 0.2, 0.5, 1.0])
def test_opening_a_square(radius):
    removed = lost(shapely.box(0, 0, 20, 20), 2 * radius)
    assert removed.feature == 0
    assert removed.corner == pytest.approx((4 - math.pi) * radius**2, rel=0.03)  # arcs of 8 a quarter: 2.3 %


# Closing a square pocket adds (4 - pi) r^2 by duality (Matheron 1975).
def test_closing_a_square_pocket():
    pocket = shapely.box(0, 0, 20, 20).difference(shapely.box(5, 5, 15, 15))
    assert filled(pocket, 1.0).corner == pytest.approx((4 - math.pi) * 0.25, rel=0.03)


# A corner of angle t loses r^2 (cot(t/2) - (pi - t)/2): two tangents and an arc (elementary, from memory).
@pytest.mark.parametrize("angle", [60, 75, 90, 120, 150])
def test_a_rounded_corner(angle):
    t = math.radians(angle)
    corner = shapely.Polygon([(0, 0), (10, 0), (10 * math.cos(t), 10 * math.sin(t))])
    near = shapely.Point(0, 0).buffer(4)
    radius = 0.4
    opened = corner.buffer(-radius, quad_segs=64).buffer(radius, quad_segs=64)
    expected = radius**2 * (1 / math.tan(t / 2) - (math.pi - t) / 2)
    assert corner.intersection(near).area - opened.intersection(near).area == pytest.approx(expected, rel=0.01)
    assert lost(corner, 2 * radius).corner >= expected * 0.95


# Volumes and areas of solids (Euclid, Archimedes, Pappus); facets make them smaller by a known factor:
# an n-gon inscribed in a circle has (n / 2 pi) sin(2 pi / n) of its area.
def ngon_share(n):
    return n / (2 * math.pi) * math.sin(2 * math.pi / n)


@pytest.mark.parametrize(
    ("body", "volume", "area", "tolerance"),
    [
        (shapes.box(10, 20, 30), 6000, 2200, 1e-9),
        (shapes.cylinder(10, 20, 128), math.pi * 25 * 20, math.pi * (10 * 20 + 50), 1e-3),
        (shapes.Body.cylinder(12, 6, 0, 128), math.pi * 36 * 12 / 3, math.pi * 6 * (6 + math.hypot(6, 12)), 1e-3),
        (shapes.Body.sphere(10, 256), 4 / 3 * math.pi * 1000, 400 * math.pi, 1e-3),
        (shapes.torus(20, 5, 192, 96), 2 * math.pi**2 * 20 * 25, 4 * math.pi**2 * 20 * 5, 2e-3),
    ],
    ids=["box", "cylinder", "cone", "sphere", "torus"],
)
def test_volume_and_area_of_solids(body, volume, area, tolerance):
    summary = summarise(shapes.stl(body), fmt="stl", unit="mm")
    assert summary.volume_mm3 == pytest.approx(volume, rel=tolerance)
    assert summary.area_mm2 == pytest.approx(area, rel=tolerance)
    profile = summary.profile
    assert sum(a * d for a, d in zip(profile.area_mm2, profile.dz_mm, strict=True)) == pytest.approx(volume, rel=3e-3)
    assert sum(profile.dz_mm) == pytest.approx(summary.extent_z_mm)


# Sections: a sphere's is pi (R^2 - z^2), a cone's shrinks as the square of the height left (Cavalieri).
def test_sections_of_a_sphere_and_a_cone():
    ball = summarise(shapes.stl(shapes.Body.sphere(10, 256)), fmt="stl", unit="mm").profile
    cone = summarise(shapes.stl(shapes.Body.cylinder(12, 6, 0, 128)), fmt="stl", unit="mm").profile
    for z, area in zip(ball.z_mm, ball.area_mm2, strict=True):
        assert area == pytest.approx(math.pi * (100 - z * z), abs=0.5)
    for z, area, edge in zip(cone.z_mm, cone.area_mm2, cone.perimeter_mm, strict=True):
        assert area == pytest.approx(ngon_share(128) * math.pi * (6 * (12 - z) / 12) ** 2, abs=1e-2)
        assert edge == pytest.approx(2 * 128 * math.sin(math.pi / 128) * 6 * (12 - z) / 12, rel=1e-3, abs=1e-2)


# Sagitta: an inscribed n-gon's flats lie R (1 - cos(pi / n)) inside the circle: (5, 32) 0.0240764; (5, 12) 0.170371.
@pytest.mark.parametrize(("facets", "short"), [(32, 0.0240764), (12, 0.170371)])
def test_both_diameters_of_a_faceted_hole(facets, short):
    part = shapes.plate_with_holes([(10.0, 30.0, 20.0)], facets=facets)
    hole = next(f for f in summarise(shapes.stl(part), fmt="stl", unit="mm").features if f.kind is FeatureKind.HOLE)
    assert (hole.facets, hole.through) == (facets, True)
    assert hole.nominal_mm == pytest.approx(10.0, abs=1e-4)
    assert (hole.nominal_mm - hole.across_flats_mm) / 2 == pytest.approx(short, abs=1e-4)


# Lettering: strokes of known width on a plate. All of a stroke's volume is lost by the first wider bead.
def test_strokes_vanish_one_by_one():
    strokes, length, height = (0.18, 0.33, 0.55, 0.75, 1.1), 10.0, 2.0
    part = shapes.strips(strokes, length, height)
    summary = summarise(shapes.stl(part), fmt="stl", unit="mm")
    loss = dict(zip(BEAD_WIDTHS_MM, summary.curves.feature_loss, strict=True))
    for width in BEAD_WIDTHS_MM:
        gone = sum(s * length * height for s in strokes if s < width)
        assert loss[width] == pytest.approx(gone / part.volume(), abs=2e-4)
    assert summary.smallest.rib_mm == pytest.approx(0.18, abs=0.005)


# A cylinder loses nothing but facet corners; a plate of plain holes neither (a disc fits everywhere).
def test_round_parts_lose_no_feature():
    for part in (shapes.cylinder(20, 10, 128), shapes.plate_with_holes([(6.0, 15.0, 20.0), (9.0, 40.0, 20.0)])):
        curves = summarise(shapes.stl(part), fmt="stl", unit="mm").curves
        assert max(curves.feature_loss) == 0
        assert max(curves.feature_gain) == 0


# Archimedes' hat-box theorem: on a sphere |n_z| is uniform, so every bin has the same area; a cone's wall has
# n_z = r / sqrt(r^2 + h^2).
def test_slopes_of_a_sphere_are_uniform_and_a_cone_has_one():
    ball = summarise(shapes.stl(shapes.Body.sphere(10, 400)), fmt="stl", unit="mm").slopes.area_share
    assert np.abs(np.array(ball) - 1 / len(ball)).max() < 0.004
    cone = summarise(shapes.stl(shapes.Body.cylinder(12, 5, 0, 200)), fmt="stl", unit="mm").slopes.area_share
    share_of_wall = math.hypot(5, 12) / (5 + math.hypot(5, 12))
    assert cone[int(5 / 13 * len(cone))] == pytest.approx(share_of_wall, abs=1e-3)
    assert cone[-1] == pytest.approx(1 - share_of_wall, abs=1e-3)


# The zone of a sphere below 45 degrees has 2 pi R^2 (1 - cos 45) (Archimedes).
def test_overhang_of_a_sphere():
    ball = summarise(shapes.stl(shapes.Body.sphere(10, 400)), fmt="stl", unit="mm")
    assert ball.overhang_area_mm2 == pytest.approx(
        2 * math.pi * 100 * (1 - math.sqrt(0.5)), rel=0.025
    )  # facets on the edge


# A general mesh library as a second reader of the same bytes.
def test_trimesh_agrees_on_volume_and_area():
    import trimesh

    part = shapes.plate_with_holes([(6.0, 15.0, 20.0)]) + shapes.torus(8, 2).translate((30, 20, 12))
    for fmt, data in (("stl", shapes.stl(part)), ("obj", shapes.obj(part)), ("off", shapes.off(part))):
        theirs = trimesh.load(io.BytesIO(data), file_type=fmt, force="mesh")
        ours = load_mesh(data, fmt=fmt, unit="mm")
        assert len(ours.faces) == len(theirs.faces)
        summary = summarise(data, fmt=fmt, unit="mm")
        assert summary.volume_mm3 == pytest.approx(theirs.volume, rel=1e-6)
        assert summary.area_mm2 == pytest.approx(theirs.area, rel=1e-6)
