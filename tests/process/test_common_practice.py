"""What the trade knows without a published source: the models must reproduce it."""

from __future__ import annotations

import numpy as np
import pytest

from tests.process.parts import prism, slabs_of, uncalibrated
from workers.model.fleet import TipMaterial
from workers.model.job import Mating
from workers.model.part import Axis, DetailCurves, FeatureKind, GeometrySummary, SmallestFeatures
from workers.process.bead import bead_grid
from workers.process.clog import PHI_REF, effective_bore, prior_belief, rate_per_cm3, risk
from workers.process.detail import detail_scores
from workers.process.fit import AXIS_CODES, KIND_CODES, conformance, predict
from workers.process.limits import mating_limits
from workers.process.motion import motion_table
from workers.process.time import print_seconds

pytestmark = pytest.mark.common_practice

BORES = [0.4, 0.5, 0.6]
HUNDRED_CM3 = np.array([100.0])


def sliding_fit(hole_mm: float, width_share: float, shrinkage_percent: float) -> np.ndarray:
    """Chance, a bore, that a pin 0.3 mm under the drawn hole gets 0.10 to 0.50 mm of clearance."""
    pin = Mating(mate_mm=hole_mm - 0.3, clearance_min_mm=0.10, clearance_max_mm=0.50)
    limits = mating_limits(FeatureKind.HOLE, pin)
    hole, upright = np.array([KIND_CODES[FeatureKind.HOLE]]), np.array([AXIS_CODES[Axis.VERTICAL]])
    classes = uncalibrated(BORES, width_share=width_share, shrinkage_percent=shrinkage_percent)
    size = predict(hole, upright, np.array([hole_mm]), np.zeros(1), classes)
    return conformance(size, np.array([limits.lower_mm]), np.array([limits.upper_mm]))[0]


@pytest.mark.parametrize("hole_mm", [4.0, 4.5, 5.3, 6.0, 7.0])
@pytest.mark.parametrize("shrinkage_percent", [0.1, 0.2, 0.3])
@pytest.mark.parametrize("width_share", [0.9, 1.0])
def test_a_loose_sliding_fit_holds_to_half_a_millimetre_of_bore(
    hole_mm: float, shrinkage_percent: float, width_share: float
) -> None:
    fine, middle, coarse = sliding_fit(hole_mm, width_share, shrinkage_percent)
    assert fine >= 0.9
    assert middle >= 0.9
    assert coarse < 0.5


def test_holes_close_up_with_the_bore() -> None:
    hole, upright = np.array([KIND_CODES[FeatureKind.HOLE]]), np.array([AXIS_CODES[Axis.VERTICAL]])
    size = predict(hole, upright, np.array([5.0]), np.zeros(1), uncalibrated([0.25, 0.4, 0.5, 0.6, 0.8]))
    assert (np.diff(size.mean[0]) < 0).all()
    assert (size.mean[0] < 5.0).all()


def fibre_risk(bore_mm: float) -> float:
    """Chance of a clog over 100 cm^3 of 20 wt% chopped fibre (95 % of it under 200 um) in a hardened tip."""
    bore = effective_bore(bore_mm, TipMaterial.HARDENED_STEEL)
    belief = prior_belief(rate_per_cm3(np.array([bore]), 200.0, PHI_REF))
    return risk(belief.a, belief.b, HUNDRED_CM3).item()


def test_chopped_fibre_mostly_prints_at_four_tenths() -> None:
    assert 0.02 <= fibre_risk(0.4) <= 0.10


@pytest.mark.parametrize("bore_mm", [0.5, 0.6, 0.8])
def test_chopped_fibre_all_but_never_clogs_from_half_a_millimetre(bore_mm: float) -> None:
    assert fibre_risk(bore_mm) < 0.01


@pytest.mark.parametrize("bore_mm", [0.3, 0.4, 0.6])
def test_unfilled_filament_clogs_rarely_from_three_tenths(bore_mm: float) -> None:
    belief = prior_belief(rate_per_cm3(np.array([bore_mm]), 0.0, 0.0))
    assert risk(belief.a, belief.b, HUNDRED_CM3).item() < 0.005


def quickest_hours(bores: list[float], ceiling_mm3_s: float) -> np.ndarray:
    """Hours of a large part (150 x 100 x 60 mm, 3 shells, 20 % infill) with each bore's quickest bead."""
    widths, heights = (np.stack(beads) for beads in zip(*(bead_grid(b) for b in bores), strict=True))
    every = np.ones(len(bores))
    table = motion_table(widths, heights, ceiling_mm3_s * every, 150 * every, 3000 * every, 250 * every, 6 * every)
    slabs = slabs_of(prism(150, 100, 60), 3, 0.2)
    return print_seconds(slabs, np.array([3.0]), np.array([0.2]), table)[0].min(axis=1) / 3600


def test_a_wider_bore_saves_little_once_the_melt_sets_the_pace() -> None:
    """A hotend that melts 15 mm^3/s: 0.6 instead of 0.5 mm saves less than 10 % of a large part."""
    half, wider = quickest_hours([0.5, 0.6], 15.0)
    assert wider <= half
    assert 1 - wider / half < 0.10


def test_a_wider_bore_saves_much_while_motion_sets_the_pace() -> None:
    """The same step from 0.25 mm, far below the melt limit, pays."""
    fine, half = quickest_hours([0.25, 0.5], 15.0)
    assert half < 0.6 * fine


def lettered_tag() -> GeometrySummary:
    """Strokes of 0.45 mm and ribs of 0.55 mm: a granulometry that steps at both."""
    widths = (0.1, 0.2, 0.25, 0.3, 0.36, 0.4, 0.45, 0.5, 0.55, 0.6, 0.66, 0.75, 0.8, 0.9, 1.0, 1.25, 1.5, 2.0)
    none = (0.0,) * len(widths)
    loss = tuple(0.03 * (w > 0.45) + 0.02 * (w > 0.55) for w in widths)
    return GeometrySummary(
        extent_x_mm=40,
        extent_y_mm=15,
        extent_z_mm=3,
        volume_mm3=1500,
        curves=DetailCurves(
            bead_width_mm=widths, feature_loss=loss, corner_loss=none, feature_gain=none, corner_gain=none
        ),
    )


def test_detail_falls_from_four_to_six_tenths() -> None:
    scores = detail_scores(lettered_tag(), np.array(BORES))
    assert scores[0] > 0.9
    assert (np.diff(scores) < 0).all()
    assert scores[2] < 0.1


def test_details_larger_than_every_bore_make_no_difference() -> None:
    """All features of 1.7 mm and more: from 0.4 to 0.8 mm the score moves by less than 3 %."""
    coarse = GeometrySummary(
        extent_x_mm=40,
        extent_y_mm=40,
        extent_z_mm=10,
        volume_mm3=9000,
        smallest=SmallestFeatures(rib_mm=1.7, slot_mm=1.8, corner_radius_mm=2.0),
    )
    scores = detail_scores(coarse, np.array([0.4, 0.5, 0.6, 0.8]))
    assert scores.max() - scores.min() < 0.03


def test_two_beads_are_sound_and_one_is_poor() -> None:
    rib = GeometrySummary(
        extent_x_mm=10, extent_y_mm=10, extent_z_mm=10, volume_mm3=300, smallest=SmallestFeatures(rib_mm=0.8)
    )
    sound, poor, lost = detail_scores(rib, np.array([0.4, 0.8, 0.9]))
    assert sound == 1.0
    assert 0.1 < poor < 0.5
    assert lost < 0.01
