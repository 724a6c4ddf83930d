from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.process.parts import uncalibrated
from workers.model.part import Axis, FeatureKind
from workers.process.fit import (
    AXIS_CODES,
    CHANCE_MIN,
    KIND_CODES,
    FitParameters,
    Prediction,
    conformance,
    predict,
)


def size_of(
    classes: FitParameters,
    kind: FeatureKind = FeatureKind.HOLE,
    nominal_mm: float = 6.0,
    axis: Axis = Axis.VERTICAL,
    facets: int = 0,
) -> Prediction:
    codes = np.array([KIND_CODES[kind]]), np.array([AXIS_CODES[axis]])
    return predict(*codes, np.array([nominal_mm]), np.array([facets]), classes)


def measured(holes: float, sd: float, n: int, **more: float) -> FitParameters:
    changes = {name: np.array([value]) for name, value in more.items()}
    figures = {"hole_allowance_mm": holes, "size_sd_mm": sd, "measured": float(n)}
    return replace(uncalibrated([0.5]), **{k: np.array([v]) for k, v in figures.items()}, **changes)


@pytest.mark.parametrize("kind", FeatureKind)
def test_inside_sizes_come_out_under_and_outside_sizes_over(kind: FeatureKind) -> None:
    bias = size_of(uncalibrated([0.4, 0.6], shrinkage_percent=0.0), kind).mean[0] - 6.0
    inside = kind in {FeatureKind.HOLE, FeatureKind.FLAT_HOLE, FeatureKind.SLOT}
    assert (bias < 0).all() == inside
    assert abs(bias[1]) > abs(bias[0])


def test_small_holes_close_up_more() -> None:
    small, large = (size_of(uncalibrated([0.5], shrinkage_percent=0.0), nominal_mm=d).mean.item() - d for d in (2, 20))
    assert small < large < 0


def test_a_calibration_pulls_towards_what_it_measured_with_each_feature() -> None:
    means = [size_of(measured(-0.02, 0.02, n), nominal_mm=10.0).mean.item() for n in (1, 3, 10, 100)]
    assert size_of(uncalibrated([0.5]), nominal_mm=10.0).mean.item() < means[0]
    assert means == sorted(means)
    assert means[-1] == pytest.approx(9.98, abs=0.001)


def test_a_calibration_narrows_the_spread() -> None:
    prior = size_of(uncalibrated([0.5]))
    few, many = size_of(measured(-0.1, 0.02, 3)), size_of(measured(-0.1, 0.02, 30))
    assert few.scale < prior.scale
    assert many.scale < prior.scale
    assert many.dof > few.dof > prior.dof


def test_a_scattered_calibration_widens_the_spread() -> None:
    assert size_of(measured(-0.1, 0.15, 12)).scale > size_of(uncalibrated([0.5])).scale


def test_a_calibration_of_holes_says_nothing_of_bosses() -> None:
    calibrated, prior = measured(-0.02, 0.02, 10), uncalibrated([0.5])
    assert size_of(calibrated, FeatureKind.BOSS).mean == size_of(prior, FeatureKind.BOSS).mean


def test_an_allowance_is_carried_to_other_beads() -> None:
    """Measured with 0.5 mm beads as the prior expects: then 0.625 mm beads come out as the prior expects."""
    wide = replace(uncalibrated([0.5]), bead_width_mm=np.array([0.625]))
    expected = size_of(uncalibrated([0.5]), nominal_mm=10.0).mean.item() - 10.0
    carried = replace(
        wide,
        hole_allowance_mm=np.array([expected]),
        size_sd_mm=np.array([0.02]),
        measured=np.array([10.0]),
        calibrated_width_mm=np.array([0.5]),
    )
    assert size_of(carried).mean == pytest.approx(size_of(wide).mean)


def test_a_hole_on_its_side_sags_and_scatters() -> None:
    upright, lying = (size_of(uncalibrated([0.4]), axis=a) for a in (Axis.VERTICAL, Axis.HORIZONTAL))
    inclined = size_of(uncalibrated([0.4]), axis=Axis.INCLINED)
    assert lying.mean < inclined.mean < upright.mean
    assert lying.scale > inclined.scale > upright.scale


def test_facets_narrow_holes_only() -> None:
    classes = uncalibrated([0.4])
    assert size_of(classes, facets=12).mean < size_of(classes, facets=48).mean < size_of(classes).mean
    assert size_of(classes, FeatureKind.BOSS, facets=12).mean == size_of(classes, FeatureKind.BOSS).mean


def test_mixed_features_and_classes_equal_each_alone() -> None:
    classes = FitParameters(
        bore_mm=np.array([0.4, 0.5, 0.6]),
        bead_width_mm=np.array([0.4, 0.55, 0.6]),
        shrinkage_percent=np.array([0.2, 0.1, 1.5]),
        hole_allowance_mm=np.array([np.nan, -0.05, np.nan]),
        boss_allowance_mm=np.array([np.nan, 0.04, 0.1]),
        size_sd_mm=np.array([np.nan, 0.02, np.nan]),
        measured=np.array([0.0, 6.0, 3.0]),
    )
    kinds = np.array([KIND_CODES[k] for k in FeatureKind])
    axes, sizes = np.zeros(len(kinds), dtype=np.intp), np.linspace(2.0, 60.0, len(kinds))
    lower, upper = sizes - 0.1, sizes + 0.15
    together = conformance(predict(kinds, axes, sizes, np.zeros(len(kinds)), classes), lower, upper)
    for f in range(len(kinds)):
        one = slice(f, f + 1)
        alone = predict(kinds[one], axes[one], sizes[one], np.zeros(1), classes)
        np.testing.assert_array_equal(conformance(alone, lower[one], upper[one])[0], together[f])


def test_hopeless_fits_keep_a_floor() -> None:
    assert conformance(size_of(uncalibrated([0.4])), np.array([9.0]), np.array([9.1])) == CHANCE_MIN
