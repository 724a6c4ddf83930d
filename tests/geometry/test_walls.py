"""The parts that walls are found with, against trimesh and plain numpy."""

import numpy as np
import pytest
import trimesh

from tests.geometry import shapes
from workers.geometry.mesh import face_normals
from workers.geometry.walls import SHARP_COS, SMOOTH_COS, Surface, walls

BODIES = {
    "box": shapes.box(3, 4, 5),
    "torus": shapes.torus(12, 4, tube=64),
    "plate": shapes.plate_with_holes([(6.0, 20.0, 20.0), (3.0, 40.0, 10.0)]),
    "cone of very many sides": shapes.Body.cylinder(5, 4, 0, 2_000),
}
UP = np.array([0.0, 0.0, 1.0])


def surface(name):
    return Surface(shapes.solid(BODIES[name]).triangles())


def by_trimesh(one):
    return trimesh.Trimesh(one.mesh.vertices, one.mesh.faces, process=False)


def sorted_rows(rows):
    return sorted(map(tuple, np.sort(rows, axis=1).tolist()))


@pytest.mark.parametrize("name", BODIES)
def test_neighbours_are_those_of_trimesh(name):
    own = surface(name)
    one, two, ends = own.neighbours
    theirs = by_trimesh(own)
    assert sorted_rows(np.stack([one, two], axis=1)) == sorted_rows(theirs.face_adjacency)
    assert sorted_rows(ends) == sorted_rows(theirs.face_adjacency_edges)


@pytest.mark.parametrize("name", BODIES)
def test_turns_normals_and_areas_are_those_of_trimesh(name):
    own = surface(name)
    theirs = by_trimesh(own)
    one, two, _ = own.neighbours
    assert own.areas == pytest.approx(theirs.area_faces)
    assert own.normals == pytest.approx(theirs.face_normals, abs=1e-9)
    assert own.turn_cos == pytest.approx((own.normals[one] * own.normals[two]).sum(axis=1))


@pytest.mark.parametrize("name", BODIES)
def test_the_rim_of_some_faces_are_the_edges_that_they_have_once(name):
    own = surface(name)
    some = np.flatnonzero(own.normals[:, 2] > 0.1)
    mine, beyond, edge = own.rim_of(some)
    held = np.isin(np.arange(len(own.areas)), some)
    one, two, _ = own.neighbours
    assert sorted(edge) == np.flatnonzero(held[one] != held[two]).tolist()
    assert held[mine].all()
    assert not held[beyond].any()
    assert np.array_equal(own.corners_of(some), np.unique(own.mesh.faces[some]))
    again = own.rim_of(some)[2]
    assert np.array_equal(again, edge)


def test_a_degenerate_triangle_has_no_normal():
    normals, areas = face_normals(np.array([[[0.0, 0, 0], [1, 0, 0], [2, 0, 0]], [[0, 0, 0], [2, 0, 0], [0, 1, 0]]]))
    assert normals.tolist() == [[0, 0, 0], [0, 0, 1]]
    assert areas.tolist() == [0, 1]


def test_a_wall_without_a_sharp_edge_is_no_wall_of_its_own():
    """The waist of a torus runs smoothly on, the bore of a plate ends at its faces."""
    smooth = {name: surface(name).turn_cos > SMOOTH_COS for name in ("torus", "plate")}
    found = {name: list(walls(surface(name), UP, smooth[name])) for name in smooth}
    assert {wall.meets_sharp for wall in found["torus"]} == {False}
    assert {wall.meets_sharp for wall in found["plate"]} == {True}
    assert not list(walls(surface("torus"), UP, smooth["torus"], sharp_only=True))
    assert (surface("torus").turn_cos > SHARP_COS).all()
