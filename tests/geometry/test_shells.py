"""Whether shells lie apart, against what uniting them (manifold3d) says."""

import pytest

from tests.geometry import shapes
from workers.geometry.shells import are_apart

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


@pytest.mark.parametrize("name", PAIRS)
def test_shells_are_apart_exactly_when_they_share_no_volume(name):
    shells, apart = PAIRS[name]
    together = shapes.Body()
    for shell in shells:
        together = together + shell
    assert (together.volume() == pytest.approx(sum(s.volume() for s in shells), rel=1e-9)) is apart
    assert are_apart(shells) is apart


def test_very_many_shells_are_left_to_the_union():
    assert not are_apart([SMALL.translate((2 * k, 0, 0)) for k in range(60)])
