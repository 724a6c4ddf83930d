"""Print time against kinematics, closed forms and a published range."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tests.process.parts import one_pairing, prism, slabs_of
from workers.process.bead import bead_area
from workers.process.motion import HOP_EXTRA_S, WALL_SEGMENT_MM, move_seconds
from workers.process.slabs import SKIN_MM
from workers.process.time import print_seconds


@pytest.mark.parametrize(
    ("length", "speed", "acceleration", "seconds"),
    [(100, 60, 1000, 1.726667), (3.6, 60, 1000, 0.12), (1, 60, 1000, 0.0632456)],
)
def test_trapezoidal_and_triangular_moves(length: float, speed: float, acceleration: float, seconds: float) -> None:
    """Kinematics: L/v + v/a, or 2 sqrt(L/a) where the speed is not reached (computed)."""
    assert move_seconds(length, speed, acceleration) == pytest.approx(seconds, rel=1e-6)


@pytest.mark.parametrize(("length", "speed"), [(40.0, 100.0), (2.0, 100.0)])
def test_moves_agree_with_an_integrated_motion(length: float, speed: float) -> None:
    """Reference: scipy integrates s' = v, speeding up over the first half and (mirrored) slowing over the second."""
    acceleration = 2000.0

    def half_way(_: float, state: np.ndarray) -> float:
        return float(state[0] - length / 2)

    half_way.terminal = True
    rates = lambda _, state: [state[1], acceleration if state[1] < speed else 0.0]  # noqa: E731
    half = solve_ivp(rates, (0, 10), [0.0, 0.0], events=half_way, max_step=1e-4).t_events[0][0]
    assert move_seconds(length, speed, acceleration) == pytest.approx(2 * half, rel=1e-3)


def test_a_solid_block_takes_its_volume_over_the_flow() -> None:
    """Conservation: with no accelerations, waits or hops to speak of, time = volume / ceiling.

    A 40 x 40 x 20 mm block, solid, 12 mm^3/s: 2666.7 s.
    """
    table = one_pairing(0.6, 0.3, ceiling=12.0, speed=1e4, acceleration=1e12, layer_min=0.0, travel=1e5)
    slabs = slabs_of(prism(40, 40, 20), 3, 1.0)
    hops = 2 * (HOP_EXTRA_S + 20.0 / 1e5) * 20 / 0.3  # 20 mm is a quarter of length plus width
    assert print_seconds(slabs, np.array([3.0]), np.array([1.0]), table) == pytest.approx(32000 / 12 + hops, rel=1e-6)


def test_walls_alone_take_their_length_in_whole_moves() -> None:
    """By hand: 2 shells around 40 x 40 at 0.2 mm layers, no infill but the skins, against move_seconds."""
    width, height, speed, acceleration = 0.5, 0.2, 100.0, 2000.0
    table = one_pairing(width, height, ceiling=1e6, speed=speed, acceleration=acceleration, layer_min=0.0, travel=1e9)
    slabs = slabs_of(prism(40, 40, 100), 2, 0.0)
    spacing = float(bead_area(width, height)) / height
    layers = 100 / height
    wall_s = 2 * 160 / WALL_SEGMENT_MM * float(move_seconds(WALL_SEGMENT_MM, speed, acceleration))
    skin_share = SKIN_MM * 2 / 100  # a prism has one top and one bottom
    chord = math.pi * 1600 / 160  # Cauchy's mean chord
    skin_mm = (1600 - 2 * 160 * spacing) / spacing * skin_share
    skin_s = skin_mm / chord * float(move_seconds(chord, speed, acceleration))
    hops_s = 2 * (HOP_EXTRA_S + 1e9 / acceleration)
    table_hops = float(table.hop_s[0, 0]) * 2
    assert table_hops == pytest.approx(hops_s)
    seconds = print_seconds(slabs, np.array([2.0]), np.array([0.0]), table).item()
    assert seconds - table_hops * layers == pytest.approx((wall_s + skin_s) * layers, rel=1e-6)


def test_a_tiny_part_waits_for_its_layers() -> None:
    """By hand: a 3 x 3 mm post of 10 mm at 0.2 mm is 50 layers of at least 8 s."""
    table = one_pairing(0.45, 0.2, layer_min=8.0)
    slabs = slabs_of(prism(3, 3, 10), 2, 0.2)
    assert print_seconds(slabs, np.array([2.0]), np.array([0.2]), table) == pytest.approx(50 * 8.0)


@pytest.mark.parametrize("width_mm", [0.45, 0.6])
def test_build_rate_is_tens_of_cubic_centimetres_an_hour(width_mm: float) -> None:
    """Desktop and professional machines at 0.2 mm layers (Go et al. 2017, seen)."""
    table = one_pairing(width_mm, 0.2, ceiling=15.0, speed=120.0, acceleration=3000.0, layer_min=5.0)
    slabs = slabs_of(prism(80, 60, 40), 3, 1.0)
    hours = print_seconds(slabs, np.array([3.0]), np.array([1.0]), table).item() / 3600
    assert 10 < 80 * 60 * 40 / 1000 / hours < 100
