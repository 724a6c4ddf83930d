from __future__ import annotations

import numpy as np
import pytest

from workers.model.part import DetailCurves, Feature, FeatureKind, GeometrySummary, SmallestFeatures
from workers.process.detail import FLOOR, critical_ok, detail_scores, lost_features, lost_share

WIDTHS = tuple(np.round(np.linspace(0.1, 2.0, 20), 3))
NONE = (0.0,) * len(WIDTHS)


def part(loss: np.ndarray | None = None, gain: np.ndarray | None = None, **more: object) -> GeometrySummary:
    curves = None
    if loss is not None:
        curves = DetailCurves(
            bead_width_mm=WIDTHS,
            feature_loss=tuple(loss),
            corner_loss=tuple(np.linspace(0, 0.2, len(WIDTHS))),
            feature_gain=NONE if gain is None else tuple(gain),
            corner_gain=NONE,
        )
    return GeometrySummary(extent_x_mm=20, extent_y_mm=20, extent_z_mm=5, volume_mm3=1000, curves=curves, **more)


def test_a_part_without_fine_features_loses_nothing() -> None:
    beads = np.array([0.2, 0.6, 1.2])
    assert detail_scores(part(np.zeros(20)), beads) == pytest.approx(1.0)
    assert detail_scores(part(), beads) == pytest.approx(1.0)


def test_rounded_corners_alone_do_not_count() -> None:
    """corner_loss rises to a fifth of the volume in every part here, and the score stays whole."""
    assert detail_scores(part(np.zeros(20)), np.array([1.8])) == 1.0


def test_a_speck_does_not_rule() -> None:
    speck = np.where(np.array(WIDTHS) > 0.4, 1e-5, 0.0)
    assert detail_scores(part(speck), np.array([0.8])) > 0.99


def test_slots_filled_count_as_ribs_lost_do() -> None:
    step = np.where(np.array(WIDTHS) > 0.4, 0.05, 0.0)
    beads = np.array([0.3, 0.4, 0.5])
    np.testing.assert_array_equal(detail_scores(part(step), beads), detail_scores(part(np.zeros(20), step), beads))


def test_tabulated_values_are_returned_as_they_are() -> None:
    loss = np.cumsum(np.linspace(0, 0.01, 20))
    np.testing.assert_allclose(lost_share(part(loss).curves, np.array(WIDTHS)), loss)


def test_between_smooth_values_a_straight_line_and_across_a_step_the_higher() -> None:
    smooth = np.linspace(0, 0.02, 20)
    stepped = smooth + np.where(np.array(WIDTHS) > 0.55, 0.5, 0.0)
    middle = np.array([(WIDTHS[4] + WIDTHS[5]) / 2])
    assert lost_share(part(smooth).curves, middle) == pytest.approx((smooth[4] + smooth[5]) / 2)
    assert lost_share(part(stepped).curves, middle) == pytest.approx(stepped[5])


def test_all_fine_detail_lost_leaves_the_floor() -> None:
    huge = np.where(np.array(WIDTHS) > 0.3, 0.9, 0.0)
    score = detail_scores(part(huge), np.array([5.0]))
    assert FLOOR <= score < 0.01


@pytest.mark.parametrize(("size", "width", "ok"), [(0.5, 0.5, True), (0.5, 0.51, False), (0.6, 0.5, True)])
def test_a_bead_lays_what_is_not_narrower_than_itself(size: float, width: float, ok: bool) -> None:
    assert critical_ok(size, width) == ok


def test_a_sharp_corner_does_not_hide_a_lost_rib() -> None:
    sharp = part(smallest=SmallestFeatures(rib_mm=0.5, corner_radius_mm=0.0))
    kept, lost = detail_scores(sharp, np.array([0.25, 0.6]))
    assert kept > 0.5
    assert lost < 0.01


def test_lost_features_are_named_smallest_first_and_once() -> None:
    comb = part(
        features=(
            Feature(name="rib-2", kind=FeatureKind.RIB, nominal_mm=0.45),
            Feature(name="hole-1", kind=FeatureKind.HOLE, nominal_mm=3.0),
            Feature(name="slot-1", kind=FeatureKind.SLOT, nominal_mm=0.3),
        ),
        smallest=SmallestFeatures(rib_mm=0.45, stroke_mm=0.5),
    )
    assert [f.name for f in lost_features(comb, 0.55)] == ["slot-1", "rib-2", "smallest stroke"]
    assert lost_features(comb, 0.3) == ()
