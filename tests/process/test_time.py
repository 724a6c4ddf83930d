from __future__ import annotations

import numpy as np
import pytest

from tests.process.parts import one_pairing, prism, round_part, slabs_of
from workers.process.bead import bead_grid, bead_spacing
from workers.process.motion import MotionTable, motion_table
from workers.process.slabs import SlabBatch, compress_profiles
from workers.process.time import deposited_mm3, print_seconds, time_splits

PARTS = [
    prism(40, 30, 20),
    round_part(np.linspace(25, 1, 120), 60),
    prism(4, 4, 30),
    prism(100, 100, 5),
    prism(9, 9, 9),
]
SHELLS = np.array([3.0, 2.0, 1.0, 4.0, 3.0])
INFILL = np.array([0.2, 0.0, 1.0, 0.4, 0.15])


def batch(jobs: slice) -> tuple[SlabBatch, np.ndarray, np.ndarray]:
    return compress_profiles(PARTS[jobs], SHELLS[jobs], INFILL[jobs]), SHELLS[jobs], INFILL[jobs]


def shop_table() -> MotionTable:
    bores = [0.25, 0.4, 0.6, 0.8]
    widths, heights = (np.stack(beads) for beads in zip(*(bead_grid(b) for b in bores), strict=True))
    limits = ([6.0, 15.0, 12.0, 24.0], [80.0, 150.0, 200.0, 300.0], [1500.0, 3000.0, 5000.0, 9000.0])
    return motion_table(widths, heights, *map(np.array, limits), np.full(4, 250.0), np.array([4.0, 6.0, 8.0, 12.0]))


def test_a_job_takes_the_same_time_alone_as_in_a_batch_to_the_bit() -> None:
    together = print_seconds(*batch(slice(None)), shop_table())
    alone = [print_seconds(*batch(slice(j, j + 1)), shop_table())[0] for j in range(len(PARTS))]
    np.testing.assert_array_equal(together, np.stack(alone))


def test_the_splits_add_up_to_the_time() -> None:
    table, jobs = shop_table(), len(PARTS)
    seconds = print_seconds(*batch(slice(None)), table)
    for pairing, bead in np.ndindex(seconds.shape[1:]):
        split = time_splits(*batch(slice(None)), table, np.full(jobs, pairing), np.full(jobs, bead))
        hours = split.melt_h + split.motion_h + split.cooling_h + split.travel_h
        np.testing.assert_allclose(hours, seconds[:, pairing, bead] / 3600)


def test_the_split_names_the_limit() -> None:
    big, tiny = prism(100, 80, 40), prism(4, 4, 30)
    two, first = np.array([3.0, 3.0]), np.array([0, 0])
    slabs = compress_profiles([big, tiny], two, two / 15)
    slow_melt = time_splits(slabs, two, two / 15, one_pairing(0.9, 0.5, ceiling=10.0), first, first)
    slow_motion = time_splits(slabs, two, two / 15, one_pairing(0.4, 0.1, ceiling=30.0), first, first)
    cooling = time_splits(slabs, two, two / 15, one_pairing(0.4, 0.2), first, first)
    assert slow_melt.melt_h[0] > max(slow_melt.motion_h[0], slow_melt.cooling_h[0])
    assert (slow_motion.melt_h[0], slow_motion.cooling_h[0]) == (0.0, 0.0)
    assert cooling.cooling_h[1] > cooling.motion_h[1] + cooling.travel_h[1]


def test_more_flow_speed_or_acceleration_never_takes_longer() -> None:
    slow = print_seconds(*batch(slice(None)), one_pairing(0.5, 0.25, ceiling=8.0, speed=60.0, acceleration=800.0))
    for quicker in ({"ceiling": 16.0}, {"speed": 120.0}, {"acceleration": 4000.0}):
        limits = {"ceiling": 8.0, "speed": 60.0, "acceleration": 800.0} | quicker
        assert (print_seconds(*batch(slice(None)), one_pairing(0.5, 0.25, **limits)) <= slow + 1e-9).all()


def test_a_solid_part_lays_its_own_volume() -> None:
    slabs = slabs_of(PARTS[1], 2, 1.0)
    laid = deposited_mm3(slabs, np.array([2.0]), np.array([1.0]), np.array([0.4, 0.8]))
    assert laid == pytest.approx(PARTS[1].volume_mm3)


def test_a_hollow_part_lays_walls_and_skins() -> None:
    """By hand: 40 x 40 x 100 mm, 2 shells, no infill: walls, and skins of 0.8 mm at top and bottom."""
    slabs, spacing = slabs_of(prism(40, 40, 100), 2, 0.0), bead_spacing(0.5, 0.2)
    laid = deposited_mm3(slabs, np.array([2.0]), np.array([0.0]), np.atleast_1d(spacing)).item()
    walls = 2 * 160 * spacing
    assert laid == pytest.approx(walls * 100 + (1600 - walls) * 1.6)
