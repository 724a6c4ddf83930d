"""Melt flow and moves against closed forms of textbooks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from workers.process.flow import LIMITS, feed_pressure, flow_ceiling, land_pressure, pressure_flow, wall_shear_rate

POWER_LAWS = [1.0, 0.7, 0.5, 0.3]


@pytest.mark.parametrize(("bore", "rate"), [(0.4, 795.775), (0.8, 99.4718)])
def test_wall_shear_rate_of_pipe_flow(bore: float, rate: float) -> None:
    """32 Q / (pi D^3) at 5 mm^3/s (any text on rheology; computed)."""
    assert wall_shear_rate(5.0, bore) == pytest.approx(rate, rel=1e-5)


def test_newtonian_pressure_is_hagen_poiseuille() -> None:
    """8 mu L Q / (pi R^4): 1000 Pa s, 5 mm^3/s, R 0.2 mm, L 2 mm gives 15.9155 MPa (computed)."""
    assert land_pressure(5.0, 0.4, 2.0, 1.0, 1000.0) == pytest.approx(15.9155e6, rel=1e-5)


@pytest.mark.parametrize(("n", "ratio"), [(1.0, 5.0625), (0.5, 2.75568)])
def test_pressure_at_equal_flow_falls_with_the_bore(n: float, ratio: float) -> None:
    """R^-(3n+1) from 0.4 to 0.6 mm (computed)."""
    pressures = land_pressure(5.0, np.array([0.4, 0.6]), 1.0, n, 8000.0)
    assert pressures[0] / pressures[1] == pytest.approx(ratio, rel=1e-5)


@pytest.mark.parametrize("n", POWER_LAWS)
def test_pressure_flow_scales_as_its_power_of_the_bore(n: float) -> None:
    """R^((3n+1)/n) (computed)."""
    flows = pressure_flow(2e7, np.array([0.4, 0.8]), 1.0, n, 8000.0)
    assert flows[1] / flows[0] == pytest.approx(2.0 ** ((3 * n + 1) / n))


@pytest.mark.parametrize("n", POWER_LAWS)
def test_flow_agrees_with_the_integrated_velocity_profile(n: float) -> None:
    """Q = integral of 2 pi r v(r), v from tau = K rate^n, tau = dP r / (2 L), integrated by quadrature."""
    pressure, radius, land, consistency = 1e7, 0.2, 1.0, 8000.0

    def rate(r: float) -> float:
        return (pressure * r / (2 * land * consistency)) ** (1 / n)

    # Integration by parts with no slip at the wall: Q = pi * integral of r^2 rate(r).
    flow = math.pi * quad(lambda r: r * r * rate(r), 0, radius)[0]
    assert pressure_flow(pressure, 2 * radius, land, n, consistency) == pytest.approx(flow, rel=1e-8)


def test_barrel_pressure_from_the_feed_force() -> None:
    """72 N on 1.75 mm filament is about 30 MPa (Mackay 2018, J. Rheol. 62, 1549, order of magnitude seen)."""
    assert feed_pressure(72.0, 1.75) == pytest.approx(30e6, rel=0.01)


@pytest.mark.parametrize(
    ("bore", "consistency", "calibrated", "limit", "ceiling"),
    [
        (0.6, 8000.0, math.nan, "melt", 12.0),
        (0.15, 40000.0, math.nan, "pressure", None),
        (0.15, 40000.0, 4.5, "calibrated", 4.5),
    ],
)
def test_the_lower_limit_rules_unless_it_was_measured(
    bore: float, consistency: float, calibrated: float, limit: str, ceiling: float | None
) -> None:
    """Push, melt and move limits are named by Go et al. 2017 (Addit. Manuf. 16, 1-11, seen)."""
    found = flow_ceiling(15.0, 0.8, bore, 1.0, 60.0, 1.75, 0.5, consistency, calibrated)
    assert LIMITS[found.limit] == limit
    pressure = pressure_flow(feed_pressure(60.0, 1.75), bore, 1.0, 0.5, consistency)
    assert found.mm3_s == pytest.approx(pressure if ceiling is None else ceiling)
