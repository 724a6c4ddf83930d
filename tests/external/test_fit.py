"""Fit: the published parts of the size error, and the predictive, against closed forms and scipy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from scipy import stats

from tests.process.parts import uncalibrated
from workers.model.part import Axis, FeatureKind
from workers.process.fit import AXIS_CODES, KIND_CODES, bend_loss, conformance, facet_loss, predict


@pytest.mark.parametrize(("radius", "facets", "short"), [(5, 32, 0.0240764), (5, 12, 0.170371)])
def test_facets_shorten_the_radius(radius: float, facets: int, short: float) -> None:
    """R (1 - cos(pi / n)) (computed); the diameter loses twice that."""
    assert facet_loss(2.0 * radius, np.array(facets)) / 2 == pytest.approx(short, rel=1e-5)


@pytest.mark.parametrize("facets", [6, 12, 24, 32])
def test_facets_agree_with_a_polygon(facets: int) -> None:
    """Reference: shapely's largest circle inside a regular polygon drawn through a circle of 10 mm."""
    angles = 2 * np.pi * np.arange(facets) / facets
    polygon = shapely.Polygon(np.column_stack([5 * np.cos(angles), 5 * np.sin(angles)]))
    inscribed = polygon.exterior.distance(shapely.Point(0, 0)) * 2
    assert 10.0 - facet_loss(np.array(10.0), np.array(facets)) == pytest.approx(inscribed, rel=1e-9)


def test_a_bent_bead_lies_outside_its_path() -> None:
    """Centroid of a ring sector of width w at mean radius R is w^2/(12 R) out: 6.75 um at R 2.5, w 0.45.

    By hand: (2/3) (Ro^3 - Ri^3) / (Ro^2 - Ri^2) is the centroid radius of a thin sector.
    """
    radius, width = 2.5, 0.45
    outer, inner = radius + width / 2, radius - width / 2
    centroid = 2 / 3 * (outer**3 - inner**3) / (outer**2 - inner**2)
    assert bend_loss(np.array(2 * radius), np.array(width)) / 2 == pytest.approx(centroid - radius, rel=1e-9)
    assert centroid - radius == pytest.approx(0.00675, rel=1e-9)


def test_shrinkage_scales_with_the_length() -> None:
    """Definition of linear shrinkage: 0.5 % of 200 - 100 mm is 0.5 mm."""
    kinds, axes = np.full(2, KIND_CODES[FeatureKind.LENGTH]), np.full(2, AXIS_CODES[Axis.VERTICAL])
    size = predict(kinds, axes, np.array([100.0, 200.0]), np.zeros(2), uncalibrated([0.4], shrinkage_percent=0.5))
    assert np.diff(size.mean[:, 0] - [100.0, 200.0]) == pytest.approx(-0.5)


def test_conformance_is_the_student_t_interval() -> None:
    """Reference: scipy.stats.t between the limits."""
    size = predict(
        np.array([KIND_CODES[FeatureKind.HOLE]]),
        np.array([AXIS_CODES[Axis.VERTICAL]]),
        np.array([5.3]),
        np.zeros(1),
        uncalibrated([0.25, 0.4, 0.5, 0.6, 0.8]),
    )
    reference = stats.t(size.dof, loc=size.mean, scale=size.scale)
    expected = np.clip(reference.cdf(5.5) - reference.cdf(5.1), 1e-6, 1)
    np.testing.assert_allclose(conformance(size, np.array([5.1]), np.array([5.5])), expected, atol=1e-12)


def test_many_measurements_bring_the_sample_s_own_interval() -> None:
    """With 2,000 features measured the prediction is the sample's mean and spread (law of large numbers)."""
    measured = replace(
        uncalibrated([0.5], width_share=1.1),
        hole_allowance_mm=np.array([-0.03]),
        size_sd_mm=np.array([0.02]),
        measured=np.array([2000.0]),
    )
    hole, upright = np.array([KIND_CODES[FeatureKind.HOLE]]), np.array([AXIS_CODES[Axis.VERTICAL]])
    size = predict(hole, upright, np.array([10.0]), np.zeros(1), measured)
    assert size.mean.item() == pytest.approx(9.97, abs=1e-3)
    assert size.scale.item() == pytest.approx(0.02, rel=0.02)
