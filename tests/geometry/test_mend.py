"""Closing meshes: what is mended is listed, how far to trust it is marked, and nothing is made of nothing."""

import numpy as np
import pytest

from tests.geometry import shapes
from workers.geometry.closing import directed_edges, missing_edges
from workers.geometry.errors import MeshNotSolidError
from workers.geometry.mend import solid_of
from workers.geometry.mesh import TriangleMesh
from workers.model.part import Trust

CUBE = shapes.box(10, 10, 10)


def test_a_closed_mesh_is_taken_as_it_is():
    solid = shapes.solid(CUBE)
    assert (solid.volume_mm3, solid.mended, solid.trust, solid.watertight) == (
        pytest.approx(1000), (), Trust.FULL, True,
    )  # fmt: skip


def test_overlapping_bodies_are_united_and_not_counted_twice():
    solid = solid_of(shapes.soup(CUBE, CUBE.translate((5, 5, 0))))
    assert solid.volume_mm3 == pytest.approx(1750)
    assert (solid.bodies, solid.mended) == (1, ("bodies that overlap united",))


def test_a_cavity_stays_and_a_ball_inside_it_too():
    hollow = shapes.soup(CUBE, shapes.inverted(shapes.box(4, 4, 4, (3, 3, 3))), shapes.box(1, 1, 1, (4.5, 4.5, 4.5)))
    solid = solid_of(hollow)
    assert solid.volume_mm3 == pytest.approx(1000 - 64 + 1)
    assert (solid.bodies, solid.trust) == (2, Trust.FULL)


def test_a_nested_shell_of_the_same_direction_is_solid_by_policy():
    solid = solid_of(shapes.soup(CUBE, shapes.box(4, 4, 4, (3, 3, 3))))
    assert solid.volume_mm3 == pytest.approx(1000)


def test_an_inside_out_mesh_is_turned():
    solid = solid_of(TriangleMesh(*shapes.inverted(CUBE)))
    assert solid.volume_mm3 == pytest.approx(1000)
    assert "inside out" in solid.mended[0]


def test_one_inside_out_body_of_two_is_turned():
    solid = solid_of(shapes.soup(CUBE, shapes.inverted(CUBE.translate((20, 0, 0)))))
    assert solid.volume_mm3 == pytest.approx(2000)
    assert (solid.bodies, solid.mended) == (2, ("1 bodies were inside out: turned round",))


@pytest.mark.parametrize("share", [0.02, 0.3, 0.5, 0.9])
def test_faces_with_mixed_windings_are_made_to_agree(share):
    vertices, faces = shapes.arrays(shapes.Body.sphere(10, 48))
    turned = np.random.default_rng(3).random(len(faces)) < share
    faces[turned] = faces[turned][:, ::-1]
    solid = solid_of(TriangleMesh(vertices, faces))
    assert solid.volume_mm3 == pytest.approx(shapes.Body.sphere(10, 48).volume())
    assert (solid.trust, solid.watertight) == (Trust.MENDED, True)


def test_repeated_faces_are_dropped():
    vertices, faces = shapes.arrays(CUBE)
    solid = solid_of(TriangleMesh(vertices, np.concatenate([faces, np.roll(faces[:3], 1, axis=1)])))
    assert solid.volume_mm3 == pytest.approx(1000)
    assert solid.mended == ("3 repeated triangles dropped",)


def test_corners_that_rounding_pulled_apart_are_joined():
    corners = shapes.triangles(shapes.Body.sphere(10, 48))
    noisy = corners + np.random.default_rng(5).uniform(-3e-6, 3e-6, corners.shape)
    solid = solid_of(TriangleMesh(noisy.reshape(-1, 3), np.arange(3 * len(corners)).reshape(-1, 3)))
    assert solid.volume_mm3 == pytest.approx(shapes.Body.sphere(10, 48).volume(), rel=1e-5)
    assert "joined" in solid.mended[0]


def test_a_small_hole_is_covered_and_trusted_as_mended():
    vertices, faces = shapes.arrays(shapes.Body.sphere(10, 96))
    solid = solid_of(TriangleMesh(vertices, np.delete(faces, [100, 900], axis=0)))
    assert solid.volume_mm3 == pytest.approx(shapes.Body.sphere(10, 96).volume(), rel=1e-3)
    assert (solid.trust, solid.watertight) == (Trust.MENDED, False)
    assert "2 openings covered" in solid.mended[0]


def test_an_open_scan_gets_a_flat_cover_and_low_trust():
    """A ball cut open at the bottom, as a scan is: the cover is the flat disc, so the volume is the cap's."""
    ball = shapes.Body.sphere(10, 96)
    vertices, faces = shapes.arrays(ball.trim_by_plane((0, 0, 1), -6))
    bottom = (vertices[faces][:, :, 2] < -6 + 1e-6).all(axis=1)
    solid = solid_of(TriangleMesh(vertices, faces[~bottom]))
    assert solid.volume_mm3 == pytest.approx(ball.trim_by_plane((0, 0, 1), -6).volume(), rel=1e-6)
    assert (solid.trust, solid.watertight) == (Trust.LOW, False)
    assert "% of the surface" in solid.mended[0]


def test_a_cube_without_a_side_is_closed_again():
    vertices, faces = shapes.arrays(CUBE)
    side = (vertices[faces][:, :, 0] > 9.99).all(axis=1)
    assert solid_of(TriangleMesh(vertices, faces[~side])).volume_mm3 == pytest.approx(1000)


@pytest.mark.parametrize("kept", [1, 2, 3, 4])
def test_a_few_loose_triangles_are_refused(kept):
    vertices, faces = shapes.arrays(CUBE)
    with pytest.raises(MeshNotSolidError):
        solid_of(TriangleMesh(vertices, faces[:kept]))


def test_a_face_soup_is_refused_and_does_not_mend_to_nothing():
    points = np.random.default_rng(1).random((600, 3)) * 20
    with pytest.raises(MeshNotSolidError):
        solid_of(TriangleMesh(points, np.arange(600).reshape(-1, 3)))


def test_a_flat_closed_surface_is_refused():
    square = np.array([[0.0, 0, 0], [9, 0, 0], [9, 9, 0], [0, 9, 0]])
    faces = np.array([[0, 1, 2], [0, 2, 3], [2, 1, 0], [3, 2, 0]])
    with pytest.raises(MeshNotSolidError):
        solid_of(TriangleMesh(square, faces))


def test_a_one_sided_band_that_cannot_be_oriented_is_refused():
    """A Moebius band: no winding agrees everywhere."""
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    rail = [10 + s * np.cos(turn / 2) for s in (-3, 3)]
    height = [s * np.sin(turn / 2) for s in (-3, 3)]
    edge = [np.stack([r * np.cos(turn), r * np.sin(turn), h], 1) for r, h in zip(rail, height, strict=True)]
    i = np.arange(39)
    faces = np.concatenate(
        [np.stack([i, i + 1, i + 41], 1), np.stack([i, i + 41, i + 40], 1), [[39, 40, 0], [39, 0, 79]]]
    )
    with pytest.raises(MeshNotSolidError):
        solid_of(TriangleMesh(np.concatenate(edge), faces))


def test_two_cubes_that_touch_along_an_edge_keep_their_volume():
    assert solid_of(shapes.soup(CUBE, CUBE.translate((10, 10, 0)))).volume_mm3 == pytest.approx(2000)


def test_the_edges_left_open_form_closed_walks():
    """At every corner as many open edges arrive as leave: what the covering relies on."""
    _, faces = shapes.arrays(shapes.Body.sphere(10, 48))
    faces = faces[np.random.default_rng(2).random(len(faces)) < 0.5]
    edges = missing_edges(faces)
    assert np.array_equal(np.bincount(edges[:, 0], minlength=5000), np.bincount(edges[:, 1], minlength=5000))
    assert len(directed_edges(faces)) == 3 * len(faces)


def test_a_turned_solid_stands_on_zero_with_the_same_volume():
    part = shapes.solid(shapes.box(1, 2, 3, (5, 5, 5)))
    turned = part.turned(np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]]))
    assert turned.extents_mm == pytest.approx((1, 3, 2))
    assert turned.body.bounding_box()[2] == pytest.approx(0)
    assert turned.volume_mm3 == pytest.approx(6)
