"""The choice of layers: one for a prism, more where the section changes, and close to computing them all."""

import numpy as np
import pytest

from tests.geometry import shapes
from workers.geometry.layers import LEAST_CORNERS, MOST_CORNERS, MOST_LAYERS, LayerCurveSet, corners_for
from workers.geometry.sections import slabs_of

NAMES = ("feature_loss", "corner_loss", "feature_gain", "corner_gain")


def layers(body):
    solid = shapes.solid(body)
    return LayerCurveSet(slabs_of(solid, solid.triangles()))


def everywhere(body):
    """The reference: every slab computed."""
    return layers(body).every().curves()


def test_a_prism_needs_one_layer_and_a_stepped_one_a_layer_a_step():
    assert len(layers(shapes.plate_with_holes([(5.0, 20.0, 20.0)])).compute().done) == 1
    assert len(layers(shapes.box(20, 20, 5) + shapes.box(9, 9, 3, (2, 2, 5))).compute().done) == 2


RIDGE = [(x, y, 6.0) for x in (0, 8) for y in (1.4, 1.6)]
WEDGE = np.array([(x, y, 0.0) for x in (0, 8) for y in (0, 3)] + RIDGE)
BODIES = {
    "cone": shapes.Body.cylinder(12, 3, 0, 48),
    "ball": shapes.Body.sphere(3, 32),
    "wedge": shapes.Body.hull_points(WEDGE),
    "torus": shapes.torus(4, 0.93, 48, 24),
    "ring on edge": shapes.torus(4, 0.93, 48, 24).rotate((90, 0, 0)),
    "letters": shapes.strips((0.3, 0.7)),
}


@pytest.mark.parametrize("name", BODIES)
def test_the_chosen_layers_stand_for_all_two_hundred_within_a_thousandth(name):
    chosen = layers(BODIES[name]).compute()
    assert len(chosen.done) <= MOST_LAYERS
    curves, full = chosen.curves(), everywhere(BODIES[name])
    for curve in NAMES:
        apart = np.abs(np.subtract(getattr(curves, curve), getattr(full, curve))).max()
        assert apart < 1e-3, (name, curve, apart)


def test_the_error_left_is_told():
    """None for a prism; for a part cut off after few layers no less than the error there is."""
    assert layers(shapes.box(9, 9, 9)).compute().left_over == 0
    body = BODIES["ring on edge"]
    few, full = layers(body).compute(most=6), everywhere(body)
    curves = few.curves()
    apart = max(np.abs(np.subtract(getattr(curves, c), getattr(full, c))).max() for c in NAMES)
    assert apart <= few.left_over
    assert layers(body).compute().left_over < few.left_over


def test_progress_rises_to_the_end_and_stays_within_a_share():
    told = []
    layers(BODIES["ring on edge"]).compute(told.append)
    assert told == sorted(told)
    assert all(0 <= share <= 1 for share in told)


def test_the_work_on_curves_is_less_on_large_meshes_and_never_nothing():
    budgets = [corners_for(triangles) for triangles in (0, 1_000, 100_000, 1_000_000, 10_000_000)]
    assert budgets == sorted(budgets, reverse=True)
    assert (budgets[0], budgets[-1]) == (MOST_CORNERS, LEAST_CORNERS)
