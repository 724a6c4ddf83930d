"""Conjugate updates from sums that only ever add up (n, sum x, sum x^2; events, exposure).

Because the sums are additive, concurrent updates commute and nothing needs the single observations.
Formulas: Gelman et al., Bayesian Data Analysis, 3rd ed., sections 2.6 and 3.3 (from memory).
All arguments broadcast; shapes are the caller's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from workers.learning.arrays import Array, floats


@dataclass(frozen=True, slots=True)
class GammaBelief:
    """Belief about a rate of events per unit of exposure: gamma with shape a and rate b (exposure)."""

    a: Array
    b: Array

    def mean(self) -> Array:
        return self.a / self.b


@dataclass(frozen=True, slots=True)
class NormalBelief:
    """Belief about a normal quantity: normal-inverse-gamma.

    mean: expected value; weight: how many observations the mean is worth; dof: degrees of freedom of the
    variance; variance: its scale, so variance ~ scaled inverse chi-squared (dof, variance).
    """

    mean: Array
    weight: Array
    dof: Array
    variance: Array


@dataclass(frozen=True, slots=True)
class StudentT:
    """Predictive distribution of the next observation: (x - mean) / scale ~ Student t with dof."""

    mean: Array
    scale: Array
    dof: Array


def gamma_belief(rate: ArrayLike, exposure: ArrayLike) -> GammaBelief:
    """A belief with that mean rate, worth that much exposure."""
    worth = floats(exposure)
    return GammaBelief(floats(rate) * worth, worth)


def update_gamma(belief: GammaBelief, events: ArrayLike, exposure: ArrayLike) -> GammaBelief:
    """The belief after ``events`` in ``exposure`` (Poisson)."""
    return GammaBelief(belief.a + floats(events), belief.b + floats(exposure))


def chance_of_event(a: ArrayLike, b: ArrayLike, exposure: ArrayLike) -> Array:
    """Chance of at least one event in the coming exposure, 1 - (b / (b + exposure))^a, precise when tiny."""
    return -np.expm1(-floats(a) * np.log1p(floats(exposure) / floats(b)))


def update_normal(belief: NormalBelief, n: ArrayLike, sum_x: ArrayLike, sum_x2: ArrayLike) -> NormalBelief:
    """The belief after n observations with that sum and sum of squares; n = 0 leaves it unchanged."""
    count = floats(n)
    mean = floats(sum_x) / np.maximum(count, 1.0)
    squares = np.maximum(floats(sum_x2) - count * mean * mean, 0.0)
    return update_normal_by_moments(belief, count, mean, squares)


def update_normal_by_moments(belief: NormalBelief, n: ArrayLike, mean: ArrayLike, squares: ArrayLike) -> NormalBelief:
    """As update_normal, from the observed mean and the sum of squares about it (no cancellation)."""
    count, observed = floats(n), floats(mean)
    weight, dof = belief.weight + count, belief.dof + count
    gap = observed - belief.mean
    spread = belief.dof * belief.variance + floats(squares) + (belief.weight * count / weight) * gap * gap
    return NormalBelief(belief.mean + (count / weight) * gap, weight, dof, spread / dof)


def predictive(belief: NormalBelief) -> StudentT:
    """Distribution of the next observation, the uncertainty of mean and variance included."""
    return StudentT(belief.mean, np.sqrt(belief.variance * (1.0 + 1.0 / belief.weight)), belief.dof)
