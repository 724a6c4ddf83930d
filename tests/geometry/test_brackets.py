"""Interpolation between layers: exact where it is linear, and no further off than it says where it is not."""

import numpy as np
import pytest

from workers.geometry.brackets import Brackets
from workers.geometry.sections import Slabs


def slabs(n=100, zones=1, edge=None):
    z = np.arange(n) + 0.5
    return Slabs(
        z=z,
        dz=np.ones(n),
        zone=np.arange(n) * zones // n,
        area=np.full(n, 50.0),
        perimeter=np.full(n, 30.0) if edge is None else edge,
        islands=np.ones(n, dtype=int),
        contours=np.ones(n, dtype=int),
    )


def test_what_is_linear_in_a_zone_is_met_and_zones_do_not_mix():
    brackets = Brackets(slabs(zones=2))
    truth = np.where(np.arange(100) < 50, 0.3 * np.arange(100) / 50, 0.9)[:, None]
    known = np.array([0, 49, 70])
    assert brackets.between(known, truth[known]) == pytest.approx(truth)
    assert brackets.estimate(known, truth[known]).sums == pytest.approx(truth.mean(axis=0))


@pytest.mark.parametrize("power", [0.5, 2.0, 5.0])
def test_the_error_of_a_bent_curve_is_no_more_than_is_said_and_falls(power):
    truth = ((np.arange(100) / 99) ** power)[:, None]
    told = []
    for count in (3, 6, 12, 24):
        known = np.unique(np.linspace(0, 99, count).round().astype(int))
        found = Brackets(slabs()).estimate(known, truth[known])
        assert abs(found.sums[0] - truth.mean()) <= found.wrong[0]
        told.append(found.wrong[0])
    assert told == sorted(told, reverse=True)


def test_the_next_slabs_lie_where_most_may_be_wrong():
    step = np.where(np.arange(100) < 37, 0.0, 1.0)[:, None]
    known = np.array([0, 20, 60, 99])
    assert Brackets(slabs()).estimate(known, step[known]).next(1) == [40]


def test_a_section_that_bends_between_like_ends_may_hide_something():
    edge = 30 + 10 * np.sin(np.pi * np.arange(100) / 99)
    known, shares = np.array([0, 99]), np.array([[0.4], [0.4]])
    assert Brackets(slabs()).estimate(known, shares).wrong[0] == 0
    assert Brackets(slabs(edge=edge)).estimate(known, shares).wrong[0] > 0.01
