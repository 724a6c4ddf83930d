"""Features found in tessellated CAD parts against the features that were put there.

The kernel is Open CASCADE; its tessellation is the mesh, its dimensions are the truth. A tolerance is a chord in mm and
a turn in degrees: the finest gives 120 and more facets a hole, the coarsest 18.
"""

import math

import pytest

pytest.importorskip("OCP.BRep", reason="Open CASCADE wants libgl1 and libx11-6", exc_type=ImportError)

from tests.geometry.cad import kernel, parts
from tests.geometry.cad.matching import Tally, found_in, tallied
from tests.geometry.shapes import solid as solid_of_body
from workers.geometry.mend import solid_of
from workers.model.part import FeatureKind

FINE, USUAL, COARSE, ROUGH = (0.003, 6), (0.02, 15), (0.1, 25), (0.5, 40)


def tally_of(makes, turn, tolerance):
    total = Tally()
    for make in makes:
        part = make().turned(turn)
        mesh = kernel.tessellated(part.body, *tolerance)
        total += tallied(found_in(mesh), part.truths, mesh, within_mm=0.05)
    return total


def test_the_finest_tessellation_is_read_as_well():
    tally = tally_of((parts.through, parts.rod), "vertical", FINE)
    assert (tally.recall, tally.precision) == (1, 1)
    assert max(*tally.errors, *tally.flats_errors) <= 0.01


@pytest.mark.parametrize(
    ("turn", "tolerance"),
    [
        ("vertical", USUAL),
        ("vertical", ROUGH),
        ("along x", COARSE),
        ("inclined", ROUGH),
    ],
)
def test_round_holes_and_bosses_are_found_with_both_their_diameters(turn, tolerance):
    """2 to 20 mm; through, blind, stepped, near edges, in a rod, under a roof, on bosses: 128 features a case."""
    tally = tally_of(parts.WITH_HOLES.values(), turn, tolerance)
    assert tally.true == 128
    assert tally.recall >= 0.99, tally.missed
    assert tally.precision >= 0.99, tally.invented
    assert tally.worst <= 0.01
    assert max(tally.flats_errors) <= 0.01


@pytest.mark.parametrize(("turn", "tolerance"), [("vertical", FINE), ("along x", ROUGH)])
def test_flat_sided_holes_and_slots_are_found_with_their_widths(turn, tolerance):
    tally = tally_of((parts.flat_sided, parts.slots), turn, tolerance)
    assert tally.true == 48
    assert tally.recall == 1, tally.missed
    assert tally.precision == 1, tally.invented
    assert tally.worst <= 0.01


@pytest.mark.parametrize("name", parts.WITH_HOLES | {"flat_sided": None, "slots": None})
def test_depth_and_whether_it_goes_through_are_right(name):
    part = getattr(parts, name)()
    features = found_in(kernel.tessellated(part.body, *COARSE))
    for truth in part.truths:
        near = [f for f in features if tallied([f], [truth], within_mm=0.01).hits]
        assert near, truth
        assert near[0].through is truth.through
        if truth.depth is not None:
            assert near[0].depth_mm == pytest.approx(truth.depth, abs=0.05 if name != "sloped" else 0.5)
        if truth.sides is not None:
            assert near[0].facets == truth.sides


@pytest.mark.parametrize(("turn", "tolerance"), [("vertical", FINE), ("vertical", ROUGH), ("inclined", USUAL)])
def test_no_round_hole_is_found_where_there_is_none(turn, tolerance):
    """Tori, balls, cones, fillets, grooves, pockets of rounded corners and octagons."""
    for name, body in parts.featureless().items():
        stood = kernel.turned(body, *parts.TURNS[turn]) if parts.TURNS[turn] else body
        found = found_in(kernel.tessellated(stood, *tolerance))
        assert [f for f in found if f.kind is FeatureKind.HOLE] == [], name
        flat = [(f.facets, round(f.across_flats_mm, 3)) for f in found if f.kind is FeatureKind.FLAT_HOLE]
        assert flat == [(8, 12.0)] * name.startswith("octagon"), name


# A hexagon across flats s with its corners eased by r: the flats stay s apart (elementary).
@pytest.mark.parametrize("sides", [4, 6, 8])
@pytest.mark.parametrize("eased", [0.2, 0.6])
def test_a_flat_sided_hole_with_eased_corners_is_no_round_one(sides, eased):
    tool = kernel.filleted(kernel.regular(sides, 10, 20, (0, 0, -5)), eased, lambda _m, step: abs(step[2]) > 15)
    (found,) = found_in(kernel.tessellated(kernel.cut(kernel.box(30, 30, 8, (-15, -15, 0)), tool), *USUAL))
    assert (found.kind, found.facets, found.through) == (FeatureKind.FLAT_HOLE, sides, True)
    assert found.nominal_mm == pytest.approx(10, abs=0.01)


# The kernel's own volumes, which no tessellation entered into.
@pytest.mark.parametrize("name", parts.WITH_HOLES)
def test_volumes_agree_with_those_of_the_exact_faces(name):
    body = parts.WITH_HOLES[name]().body
    assert solid_of(kernel.tessellated(body, *USUAL)).volume_mm3 == pytest.approx(kernel.volume(body), rel=2e-3)


def test_the_kernel_and_the_test_shapes_are_of_one_mind():
    """A ball of 20 mm: 4/3 pi r^3 exactly in the kernel, a little less in facets."""
    assert kernel.volume(kernel.sphere(20)) == pytest.approx(4 / 3 * math.pi * 1000)
    facets = solid_of(kernel.tessellated(kernel.sphere(20), *FINE))
    assert solid_of_body(facets.body).volume_mm3 < 4 / 3 * math.pi * 1000
