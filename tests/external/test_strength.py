"""Interlayer strength against the published table (PLA; Polymers 2018, 10(3), 313, seen)."""

from __future__ import annotations

import numpy as np
import pytest

from workers.process.strength import interlayer_strength_mpa, layer_ratio, load_bearing_ok


@pytest.mark.parametrize(("bore", "layer", "strength"), [(0.4, 0.2, 50.8), (0.6, 0.3, 50.5), (0.8, 0.4, 48.1)])
def test_at_half_a_bore_the_bore_hardly_matters(bore: float, layer: float, strength: float) -> None:
    assert layer_ratio(layer, bore) == pytest.approx(0.5)
    assert interlayer_strength_mpa(layer, bore) == pytest.approx(strength, rel=0.04)


def test_strength_falls_with_layer_height_over_bore() -> None:
    """Every row of the table falls from left to right; below h/d 0.2 only one bore was measured at each."""
    ratios = np.linspace(0.2, 1.0, 30)
    assert (np.diff(interlayer_strength_mpa(ratios, 1.0)) <= 0).all()


@pytest.mark.parametrize(("layer", "bore", "ok"), [(0.2, 0.4, True), (0.3, 0.6, True), (0.28, 0.4, False)])
def test_the_load_bearing_gate(layer: float, bore: float, ok: bool) -> None:
    """Up to half a bore all three bores keep about 50 MPa; at 0.7 to 0.75 they are down to some 31 to 38."""
    assert load_bearing_ok(layer, bore) == ok
