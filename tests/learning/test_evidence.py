from __future__ import annotations

import numpy as np
import pytest

from workers.learning.evidence import GammaBelief, NormalBelief, gamma_belief, predictive, update_gamma, update_normal


def belief() -> NormalBelief:
    return NormalBelief(np.array([0.1, -0.2]), np.full(2, 0.5), np.full(2, 4.0), np.array([0.01, 0.04]))


def test_no_observation_changes_nothing() -> None:
    after = update_normal(belief(), np.zeros(2), np.zeros(2), np.zeros(2))
    for field in ("mean", "weight", "dof", "variance"):
        np.testing.assert_array_equal(getattr(after, field), getattr(belief(), field))


def test_an_update_touches_only_the_keys_it_names() -> None:
    after = update_normal(belief(), np.array([3, 0]), np.array([0.9, 0.0]), np.array([0.28, 0.0]))
    assert after.mean[0] > 0.1
    assert (after.mean[1], after.dof[1]) == (-0.2, 4.0)


def test_rounding_never_makes_a_variance_negative() -> None:
    """Sums of large, nearly equal sizes cancel: sum x^2 - n mean^2 may come out just below zero."""
    size, n = 1e6 + 0.1, 7
    after = update_normal(belief(), n, n * size, n * size**2 * (1 - 1e-15))
    assert (after.variance >= 0).all()


def test_the_next_observation_is_less_sure_than_the_mean() -> None:
    size = predictive(belief())
    assert (size.scale > np.sqrt(belief().variance)).all()


def test_a_rate_belief_is_worth_its_exposure() -> None:
    prior = gamma_belief(0.002, 500.0)
    assert prior.mean() == pytest.approx(0.002)
    doubled = update_gamma(GammaBelief(prior.a, prior.b), 0, 500.0)
    assert doubled.mean() == pytest.approx(0.001)
