"""Where sections are taken and what they measure."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

from tests.geometry import shapes
from workers.geometry import cuts
from workers.geometry.sections import horizontal_levels, outline, profile_of, slabs_of
from workers.model.errors import InvalidError


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


def tube_with_a_core():
    return shapes.cylinder(30, 5, 96) - shapes.cylinder(20, 7, 96, (0, 0, -1)) + shapes.cylinder(6, 5, 48)


def signed_area(ring):
    x, y = ring.T
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2)


@pytest.mark.parametrize(
    ("body", "outer", "holes"),
    [(tube_with_a_core(), 2, 1), (shapes.torus(12, 4), 1, 1)],
)
def test_rings_run_round_the_material_counter_clockwise_and_round_holes_clockwise(body, outer, holes):
    solid, _, cut = slabs(body)
    k = len(cut.z) // 2
    rings = cut.rings(k)
    areas = [signed_area(ring) for ring in rings]
    assert [sum(a > 0 for a in areas), sum(a < 0 for a in areas)] == [outer, holes]
    assert sum(areas) == pytest.approx(body.slice(float(cut.z[k])).area(), rel=1e-3)
    assert all(shapely.Polygon(ring).is_valid for ring in rings)
    assert all((ring[0] != ring[-1]).any() and ring.shape[1] == 2 for ring in rings)
    assert cut.outline(k).equals(outline(solid, cut.z[k]))


class TouchingItself:
    """A body whose section touches itself: a square with two square holes that share a corner, as one ring."""

    def slice(self, _z):
        return self

    def simplify(self, _within):
        return self

    def to_polygons(self):
        holes = [(2, 2), (2, 5), (5, 5), (5, 8), (8, 8), (8, 5), (5, 5), (5, 2)]
        return [np.array([(0.0, 0), (10, 0), (10, 10), (0, 10)]), np.array(holes, dtype=float)]


def test_a_ring_that_touches_itself_is_parted():
    rings = cuts.Cuts(TouchingItself(), np.array([1.0])).rings(0)
    assert sorted(signed_area(ring) for ring in rings) == [-9, -9, 100]


def test_cuts_that_were_not_kept_are_made_again(monkeypatch):
    _, _, kept = slabs(tube_with_a_core())
    monkeypatch.setattr(cuts, "MOST_KEPT", 0)
    _, _, again = slabs(tube_with_a_core())
    assert [len(ring) for ring in again.rings(0)] == [len(ring) for ring in kept.rings(0)]
    assert again.outline(0).equals(kept.outline(0))


def test_slabs_without_a_solid_have_no_rings():
    _, _, cut = slabs(tube_with_a_core())
    with pytest.raises(InvalidError, match="no solid"):
        replace(cut, cuts=None).rings(0)
