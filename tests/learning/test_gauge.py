"""Reading in a gauge piece."""

from __future__ import annotations

import numpy as np
import pytest

from workers.learning.gauge import GaugeFit, GaugeKind, GaugeSize, fit_gauge


def sizes(kind: GaugeKind, errors: list[float], nominal: list[float] | None = None) -> list[GaugeSize]:
    drawn = nominal or [10.0] * len(errors)
    return [GaugeSize(kind=kind, nominal_mm=d, measured_mm=d + e) for d, e in zip(drawn, errors, strict=True)]


def holes(errors: list[float], nominal: list[float] | None = None) -> GaugeFit:
    return fit_gauge(sizes(GaugeKind.HOLE, errors, nominal))


def test_one_reading_tells_an_allowance_and_no_scatter() -> None:
    fit = holes([-0.12])
    assert fit.hole is not None
    assert (fit.boss, fit.size_sd_mm, fit.hole.allowance_low_mm, fit.dof) == (None, None, None, 0)
    assert fit.hole.allowance_mm == pytest.approx(-0.12)
    assert fit.notes == ("one hole alone tells no scatter",)


def test_holes_and_bosses_share_their_scatter() -> None:
    """Pooled variance: the squares of both sides over the degrees of freedom of both (numpy as the reference)."""
    inside, outside = [-0.11, -0.13, -0.12], [0.04, 0.07]
    fit = fit_gauge(sizes(GaugeKind.HOLE, inside) + sizes(GaugeKind.BOSS, outside))
    pooled = (2 * np.var(inside, ddof=1) + 1 * np.var(outside, ddof=1)) / 3
    assert (fit.size_sd_mm, fit.dof) == (pytest.approx(np.sqrt(pooled)), 3)


def test_a_misread_caliper_is_named() -> None:
    fit = holes([-0.12, -0.11, -0.13, -0.12, -0.11, -0.13, 0.52])
    assert [one.out_of_line for one in fit.residuals] == [False] * 6 + [True]
    assert "measure it again" in fit.notes[0]


def test_errors_that_grow_with_the_size_are_called_a_matter_of_scaling() -> None:
    nominal = [4.0, 8.0, 12.0, 16.0, 20.0, 24.0]
    fit = holes([-0.1 - 0.004 * d + e for d, e in zip(nominal, (0.002, -0.002) * 3, strict=True)], nominal)
    assert fit.hole is not None
    assert fit.hole.slope_per_10_mm == pytest.approx(-0.04, abs=0.003)
    assert "scaling" in fit.notes[0]


def test_sound_readings_raise_no_note() -> None:
    fit = holes([-0.12, -0.11, -0.13, -0.12, -0.125], [4.0, 6.0, 8.0, 10.0, 12.0])
    assert fit.notes == ()


def test_readings_that_all_agree_are_no_fault() -> None:
    """A caliper of 0.1 mm reads the same everywhere."""
    fit = holes([-0.1] * 6, [4.0, 6.0, 8.0, 10.0, 12.0, 14.0])
    assert fit.size_sd_mm == pytest.approx(0.0, abs=1e-9)
    assert not any(one.out_of_line for one in fit.residuals)
