"""Whether shells lie apart, against what uniting them (manifold3d) says."""

import numpy as np
import pytest

from tests.geometry import shapes
from workers.geometry.mesh import TriangleMesh
from workers.geometry.shells import are_apart, shells_of

BIG, SMALL = shapes.box(9, 9, 9), shapes.box(1, 1, 1)
CORNER = shapes.box(10, 10, 2) + shapes.box(2, 10, 10)
RING = shapes.torus(10, 2)
PAIRS = {
    "side by side": ([SMALL, SMALL.translate((2, 0, 0))], True),
    "one within the other": ([BIG, SMALL.translate((3, 3, 3))], False),
    "one through the other's wall": ([BIG, SMALL.translate((8.5, 3, 3))], False),
    "in the crook of an angle": ([CORNER, SMALL.translate((6, 6, 6))], True),
    "in the eye of a ring": ([RING, SMALL], True),
    "within the ring's tube": ([RING, SMALL.translate((9.5, 0, 0))], False),
    "small ones first": ([SMALL.translate((5, 5, 5)), CORNER, SMALL.translate((8, 8, 8))], True),
}


def side_by_side(bodies):
    """Their shells, found again in one mesh of them all."""
    vertices, faces = zip(*map(shapes.arrays, bodies), strict=True)
    starts = np.cumsum([0, *map(len, vertices[:-1])])
    joined = np.concatenate([f + start for f, start in zip(faces, starts, strict=True)])
    return shells_of(TriangleMesh(np.concatenate(vertices), joined))


@pytest.mark.parametrize("name", PAIRS)
def test_each_shell_is_measured_as_the_body_it_was_made_from(name):
    bodies, _ = PAIRS[name]
    shells = side_by_side(bodies)
    assert [s.volume_mm3 for s in shells] == pytest.approx([b.volume() for b in bodies])
    assert [s.area_mm2 for s in shells] == pytest.approx([b.surface_area() for b in bodies])
    assert [tuple(s.box) for s in shells] == [pytest.approx(b.bounding_box()) for b in bodies]


def test_a_shell_inside_out_has_a_negative_volume():
    (shell,) = side_by_side([BIG])
    inverted = shells_of(TriangleMesh(shell.vertices, shell.faces[:, ::-1]))
    assert [s.volume_mm3 for s in inverted] == pytest.approx([-729])


@pytest.mark.parametrize("name", PAIRS)
def test_shells_are_apart_exactly_when_they_share_no_volume(name):
    shells, apart = PAIRS[name]
    together = shapes.Body()
    for shell in shells:
        together = together + shell
    assert (together.volume() == pytest.approx(sum(s.volume() for s in shells), rel=1e-9)) is apart
    assert are_apart(side_by_side(shells)) is apart


def test_very_many_shells_are_left_to_the_union():
    assert not are_apart(side_by_side([SMALL.translate((2 * k, 0, 0)) for k in range(60)]))
