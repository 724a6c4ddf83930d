"""Where sections are taken and what they measure."""

import numpy as np
import pytest

from tests.geometry import shapes
from workers.geometry.sections import horizontal_levels, outline, profile_of, slabs_of


def slabs(body):
    solid = shapes.solid(body)
    levels = horizontal_levels(solid.triangles(), solid.volume_mm3 / solid.extents_mm[2])
    return solid, levels, slabs_of(solid, solid.triangles())


def test_slabs_are_cut_at_horizontal_faces():
    _, levels, cut = slabs(shapes.box(20, 20, 5) + shapes.box(10, 10, 3, (2, 2, 5)))
    assert levels == pytest.approx([0, 5, 8])
    profile = profile_of(cut)
    assert profile.dz_mm == pytest.approx((5, 3))
    assert profile.area_mm2 == pytest.approx((400, 100))
    assert profile.perimeter_mm == pytest.approx((80, 40))


def test_islands_are_counted_a_layer():
    table = shapes.box(20, 20, 2, (0, 0, 8))
    for x, y in ((0, 0), (0, 17), (17, 0), (17, 17)):
        table = table + shapes.box(3, 3, 8, (x, y, 0))
    assert profile_of(slabs(table)[2]).islands == (4, 1)


def test_a_hole_is_no_island():
    assert profile_of(slabs(shapes.plate_with_holes([(6.0, 20.0, 20.0)]))[2]).islands == (1,)


@pytest.mark.parametrize(
    "body", [shapes.torus(12, 4), shapes.Body.sphere(9, 64), shapes.torus(12, 4).rotate((90, 0, 0))]
)
def test_the_slabs_add_up_to_the_volume(body):
    _, _, cut = slabs(body)
    assert cut.volume == pytest.approx(body.volume(), rel=2e-3)
    assert len(profile_of(cut).z_mm) <= 200


def test_more_levels_than_slabs_are_thinned_to_the_largest():
    stairs = shapes.box(4, 4, 0.5)
    for k in range(1, 260):
        stairs = stairs + shapes.box(4, 4, 0.5 * (k + 1), (4.0 * k, 0, 0))
    _, levels, cut = slabs(stairs)
    assert len(levels) <= 52
    assert len(cut.z) <= 260
    assert cut.volume == pytest.approx(stairs.volume(), rel=0.01)


def test_an_outline_has_its_holes_and_its_islands_within_holes():
    ring = shapes.cylinder(30, 5, 96) - shapes.cylinder(20, 7, 96, (0, 0, -1)) + shapes.cylinder(6, 5, 48)
    shape = outline(shapes.solid(ring), 2.5)
    assert shape.is_valid
    assert shape.area == pytest.approx(ring.volume() / 5, rel=1e-4)
    assert sorted(len(p.interiors) for p in shape.geoms) == [0, 1]


def test_overlapping_shells_are_not_counted_twice_in_a_section():
    """Raw overlapping shells in one body: sections are resolved by the positive fill."""
    import manifold3d

    mesh = shapes.soup(shapes.box(10, 10, 10), shapes.box(10, 10, 10, (5, 5, 0)))
    raw = manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices.copy(), mesh.faces.astype(np.uint64)))
    assert raw.volume() == pytest.approx(2000)
    assert raw.slice(5).area() == pytest.approx(175)
