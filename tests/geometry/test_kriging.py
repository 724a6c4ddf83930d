"""Ordinary kriging of layers over their measures: exact where known, its error calibrated (Cressie 1993, memory)."""

import numpy as np
import pytest

from workers.geometry.kriging import RANGE, Kriging
from workers.geometry.sections import Slabs


def slabs(area, perimeter):
    n = len(area)
    return Slabs(
        z=np.arange(n) + 0.5,
        dz=np.ones(n),
        zone=np.zeros(n, dtype=int),
        area=np.asarray(area, dtype=float),
        perimeter=np.asarray(perimeter, dtype=float),
        islands=np.ones(n, dtype=int),
        contours=np.ones(n, dtype=int),
    )


PHASE = np.linspace(0, 6 * np.pi, 120)
LATTICE = slabs(200 + 40 * np.cos(PHASE), 450 + 20 * np.sin(2 * PHASE))
TRUTH = np.stack([40 + 30 * np.cos(PHASE) ** 2, 10 + 5 * np.cos(PHASE)], axis=1)


def test_known_layers_are_met_and_one_period_tells_of_the_others():
    known = np.arange(0, 41, 2)
    found = Kriging.over(LATTICE).estimate(known, TRUTH[known])
    assert np.array_equal(found.values[known], TRUTH[known])
    assert np.abs(found.values - TRUTH).max() < 2
    mean = LATTICE.area @ TRUTH / LATTICE.area.sum()
    assert np.abs(found.sums - mean).max() < 0.4
    assert (np.abs(found.sums - mean) < found.wrong).all()


def test_two_layers_that_measure_the_same_are_expected_to_change_the_same():
    same = slabs([100, 150, 100, 220], [40, 60, 40, 50])
    found = Kriging.over(same).estimate(np.array([0, 1]), np.array([[7.0], [3.0]]))
    assert found.values[2, 0] == pytest.approx(7.0, abs=0.01)
    assert found.unsure[2, 2] < 1e-3 < found.unsure[3, 3]


def test_the_error_left_is_that_of_many_random_lattices():
    """Values drawn from the model itself: the standard error is theirs, to a third."""
    kriging, random = Kriging.over(LATTICE), np.random.default_rng(5)
    root = np.linalg.cholesky(kriging.correlation + 1e-6 * np.eye(120))
    drawn, known = 9 + root @ random.normal(size=(120, 400)), np.arange(0, 120, 9)
    found = kriging.estimate(known, drawn[known])
    off = found.weights @ (found.values - drawn)
    told = np.sqrt(found.weights @ found.unsure @ found.weights)
    assert told == pytest.approx(off.std(), rel=1 / 3)
    assert np.median(found.scale) == pytest.approx(1.0, rel=1 / 3)


def test_the_next_layers_are_new_ones_that_leave_less_error():
    kriging = Kriging.over(LATTICE)
    known = np.array([0, 60, 119])
    before = kriging.estimate(known, TRUTH[known])
    more = before.next(5)
    assert len({*more, *known}) == 8
    after = kriging.estimate(np.array([*known, *more]), TRUTH[[*known, *more]])
    told = [found.weights @ found.unsure @ found.weights for found in (before, after)]
    assert told[1] < 0.5 * told[0]


def test_distances_are_in_standard_deviations_so_units_do_not_matter():
    inches = slabs(LATTICE.area / 25.4**2, LATTICE.perimeter / 25.4)
    assert np.allclose(Kriging.over(inches).correlation, Kriging.over(LATTICE).correlation)
    assert Kriging.over(LATTICE).correlation.min() > np.exp(-8 / RANGE)
