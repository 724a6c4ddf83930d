"""Clogs: volume fractions, the form of the bore law, and the predictive, against outside references."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from workers.learning.evidence import update_gamma
from workers.process.clog import (
    FILLED_RATE_PER_CM3,
    LENGTHS_PER_BORE,
    PHI_REF,
    filler_volume_fraction,
    filler_volume_fraction_of_compound,
    prior_belief,
    rate_per_cm3,
    risk,
)


def test_volume_fraction_of_carbon_fibre_in_polyamide() -> None:
    """20 wt% of 1.8 g/cm^3 in 1.13 g/cm^3: 0.1357 by the rule of mixtures (densities from memory; computed)."""
    assert filler_volume_fraction(0.2, 1.8, 1.13) == pytest.approx(0.1357, abs=1e-4)


@pytest.mark.parametrize(("weight", "filler", "matrix"), [(0.2, 1.8, 1.13), (0.3, 2.54, 1.2), (0.0, 1.8, 1.24)])
def test_volume_fraction_from_the_compound_density_is_the_same(weight: float, filler: float, matrix: float) -> None:
    """Rule of mixtures: 1 / compound = w / filler + (1 - w) / matrix."""
    compound = 1.0 / (weight / filler + (1.0 - weight) / matrix)
    direct = filler_volume_fraction(weight, filler, matrix)
    assert filler_volume_fraction_of_compound(weight, filler, compound) == pytest.approx(float(direct))


def test_bridging_falls_as_the_exponential_of_the_cube() -> None:
    """Thomas & Durian 2015, PRL 114, 178001 (seen): ln rate is linear in (opening / size)^3.

    Differences of two volume fractions leave only the bridging part.
    """
    bores, length_mm = np.array([0.3, 0.35, 0.4, 0.45, 0.5]), 0.2
    bridging = rate_per_cm3(bores, 200.0, 2 * PHI_REF) - rate_per_cm3(bores, 200.0, PHI_REF)
    slope, intercept, r, *_ = stats.linregress((bores / length_mm) ** 3, np.log(bridging))
    assert r**2 == pytest.approx(1.0, abs=1e-9)
    assert slope == pytest.approx(-1.0 / LENGTHS_PER_BORE**3)
    assert np.exp(intercept) == pytest.approx(FILLED_RATE_PER_CM3)


def test_no_bore_is_wholly_safe() -> None:
    """Thomas & Durian 2015 (seen): the clogging rate never reaches zero."""
    assert rate_per_cm3(2.0, 0.0, 0.0) > 0


def test_risk_is_the_lomax_distribution_function() -> None:
    """Poisson in volume (Marin 2018, Hafez 2021, seen) under a gamma belief: Lomax; reference scipy."""
    belief, volumes = prior_belief(np.array([5e-4, 5e-5])), np.array([1.0, 100.0, 5000.0])
    expected = stats.lomax.cdf(volumes[:, None], belief.a[None, :], scale=belief.b[None, :])
    np.testing.assert_allclose(risk(belief.a, belief.b, volumes), expected, rtol=1e-10)


def test_risk_learns_from_experience() -> None:
    """Conjugacy: after much clean volume the risk nears zero, after clogs it nears the observed rate."""
    belief = prior_belief(np.array([5e-4]))
    clean, bad = update_gamma(belief, 0, 20000.0), update_gamma(belief, 200, 20000.0)
    volume = np.array([100.0])
    assert risk(clean.a, clean.b, volume) < 0.1 * risk(belief.a, belief.b, volume)
    assert risk(bad.a, bad.b, volume) == pytest.approx(stats.poisson(200 / 20000 * 100).sf(0), rel=0.03)
