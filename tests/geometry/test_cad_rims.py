"""Bores with filleted and chamfered rims are found with the bore's own diameter, and its straight part for a depth."""

import pytest

pytest.importorskip("OCP.BRep", reason="Open CASCADE wants libgl1 and libx11-6", exc_type=ImportError)

from tests.geometry import shapes
from tests.geometry.cad import kernel, parts
from tests.geometry.cad.matching import found_in, tallied
from tests.geometry.cad.rims import RIMS
from workers.model.part import FeatureKind

USUAL, EXPORT, ROUGH = (0.02, 15), (0.1, 10), (0.5, 40)


@pytest.mark.parametrize(("turn", "tolerance"), [("vertical", USUAL), ("along x", EXPORT), ("along y", ROUGH)])
@pytest.mark.parametrize("rim", RIMS)
def test_a_bore_with_an_eased_rim_has_its_own_diameter(rim, turn, tolerance):
    part = RIMS[rim]().turned(turn)
    found = found_in(kernel.tessellated(part.body, *tolerance))
    tally = tallied(found, part.truths, within_mm=0.05)
    assert (tally.recall, tally.precision) == (1, 1), (tally.missed, tally.invented)
    assert tally.worst <= 0.01
    for truth in part.truths:
        (one,) = [f for f in found if tallied([f], [truth], within_mm=0.05).hits]
        assert one.through is truth.through
        assert one.depth_mm == pytest.approx(
            truth.depth, abs=0.25
        )  # the first facets of a fillet may still stand upright


def test_a_pin_with_a_rounded_end_is_a_boss():
    pin = kernel.joined(kernel.box(20, 20, 4, (-10, -10, 0)), kernel.filleted(kernel.cylinder(6, 14), 1.0))
    (boss,) = found_in(kernel.tessellated(pin, *EXPORT), FeatureKind.BOSS)
    assert boss.nominal_mm == pytest.approx(6, abs=0.01)
    assert boss.depth_mm == pytest.approx(9, abs=0.25)


# Tubes of so few sides that the turn at an edge passes for a chamfer; stretched ones, whose waist is long.
@pytest.mark.parametrize("sides", [7, 8, 9, 12, 15, 31])
@pytest.mark.parametrize("around", [9, 16, 48])
def test_a_crude_ring_has_no_hole(sides, around):
    assert found_in(shapes.soup(shapes.torus(12, 4, around, sides))) == []


@pytest.mark.parametrize("rings", [9, 15, 24, 31])
@pytest.mark.parametrize("tall", [0.5, 1, 2, 3])
def test_a_ball_or_an_egg_is_no_boss(rings, tall):
    assert found_in(shapes.soup(shapes.Body.sphere(10, rings).scale((1, 1, tall)))) == []


@pytest.mark.parametrize("turn", ["vertical", "inclined"])
def test_rounded_blocks_and_rings_stay_without_a_hole_at_an_export_s_tolerance(turn):
    for name, body in parts.featureless().items():
        stood = kernel.turned(body, *parts.TURNS[turn]) if parts.TURNS[turn] else body
        found = found_in(kernel.tessellated(stood, *EXPORT), FeatureKind.HOLE)
        assert found == [], name
