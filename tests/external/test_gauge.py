"""The gauge fit against worked examples and a general library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from workers.learning.gauge import growth, grubbs_critical, mean_interval, sd_interval

# NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.17, eight mass spectrometer readings (from memory).
SPECTROMETER = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]


def test_the_interval_of_a_mean_is_the_handbook_s() -> None:
    """NIST/SEMATECH e-Handbook, section 1.3.5.2, heat flow meter: 195 readings, 95 % (from memory)."""
    low, high = mean_interval(9.261460, 0.022789, 195, 194, share=0.95)
    assert (low, high) == (pytest.approx(9.258242, abs=2e-6), pytest.approx(9.264679, abs=2e-6))


def test_grubbs_test_is_the_handbook_s() -> None:
    """Section 1.3.5.17: G = 2.4687, critical value 2.032 (one side, 5 %): the reading 245.57 is an outlier."""
    g = (max(SPECTROMETER) - np.mean(SPECTROMETER)) / np.std(SPECTROMETER, ddof=1)
    assert g == pytest.approx(2.4687, abs=1e-4)
    assert grubbs_critical(8, 0.05, sides=1) == pytest.approx(2.032, abs=5e-4)


@pytest.mark.parametrize(("n", "critical"), [(3, 1.155), (5, 1.715), (10, 2.290), (20, 2.709)])
def test_two_sided_grubbs_values_are_the_table_s(n: int, critical: float) -> None:
    """Table of Grubbs (1969, Technometrics 11, 1), two-sided 5 % (from memory)."""
    assert grubbs_critical(n, 0.05) == pytest.approx(critical, abs=1.5e-3)


@pytest.mark.parametrize("dof", [1, 4, 11, 99])
def test_the_interval_of_a_spread_is_the_library_s(dof: int) -> None:
    """sd^2 dof / sigma^2 is chi-squared (scipy.stats.chi2)."""
    low, high = sd_interval(0.03, dof)
    assert stats.chi2.cdf(dof * 0.03**2 / low**2, dof) == pytest.approx(0.95)
    assert stats.chi2.cdf(dof * 0.03**2 / high**2, dof) == pytest.approx(0.05)


def test_the_growth_of_errors_is_the_library_s_regression() -> None:
    """scipy.stats.linregress: slope and two-sided p-value."""
    nominal = np.array([4.0, 6.0, 8.0, 12.0, 20.0, 30.0])
    errors = np.array([-0.11, -0.14, -0.12, -0.15, -0.16, -0.21])
    reference = stats.linregress(nominal, errors)
    assert growth(nominal, errors) == (pytest.approx(reference.slope), pytest.approx(reference.pvalue))
