"""Lettering on the side of a part: raised and engraved strokes that stand upright or lie along a wall."""

import math

import pytest

from tests.geometry import shapes
from workers.geometry.granulometry import BEAD_WIDTHS_MM
from workers.geometry.summary import summarise

SIZE = (40.0, 3.0, 20.0)
HIGH, PROUD, EACH = 18.0, 1.0, 5  # of a stroke: along z, and out of the wall; how many alike
EXACT = 5e-4  # of the volume: how far the curves may be off (see the accuracy tests)


def summary(part):
    return summarise(shapes.stl(part), fmt="stl", unit="mm")


def strokes(width, y):
    return shapes.Body.compose([shapes.box(width, PROUD, HIGH, (3.0 + 7 * i, y, 1.0)) for i in range(EACH)])


def reached(stroke, width):
    """mm2 of a stroke that a disc in the open before its mouth reaches: the circle's segment over the mouth."""
    half, radius = stroke / 2, width / 2
    return radius**2 * math.asin(half / radius) - half * math.sqrt(radius**2 - half**2)


@pytest.mark.parametrize("stroke", [0.33, 0.57, 0.9])
@pytest.mark.parametrize("raised", [True, False])
def test_upright_strokes_go_at_their_width_but_for_what_the_bead_reaches_from_outside(stroke, raised):
    base = shapes.box(*SIZE)
    found = summary(base + strokes(stroke, -PROUD) if raised else base - strokes(stroke, 0.0))
    curve = found.curves.feature_loss if raised else found.curves.feature_gain
    for width, share in zip(BEAD_WIDTHS_MM, curve, strict=True):
        gone = EACH * HIGH * (stroke * PROUD - reached(stroke, width)) if width > stroke else 0.0
        assert share == pytest.approx(gone / found.volume_mm3, abs=EXACT)


@pytest.mark.parametrize("stroke", [0.33, 0.57, 0.9])
def test_a_raised_stroke_is_the_narrowest_rib(stroke):
    assert summary(shapes.box(*SIZE) + strokes(stroke, -PROUD)).smallest.rib_mm == pytest.approx(stroke, abs=0.01)


def test_a_stroke_along_the_wall_is_as_wide_as_it_stands_out():
    """Sections show it edge on, 30 mm long and as wide as the part: no bead loses it, layer height decides."""
    part = shapes.box(*SIZE) + shapes.box(30.0, PROUD, 0.5, (5.0, -PROUD, 10.0))
    assert max(summary(part).curves.feature_loss) == pytest.approx(0, abs=1e-6)
