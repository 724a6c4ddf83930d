"""Student's t distribution function, fast for the whole-numbered degrees of freedom that evidence brings.

Abramowitz & Stegun 26.7.3 and 26.7.4 (from memory): finite sums in theta = arctan(t / sqrt(dof)). scipy's
stdtr, some 350 ns a value, stays for the rest and is the reference in the tests.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import stdtr

from workers.learning.arrays import Array

LONGEST_SUM = 60


def student_cdf(t: Array, dof: Array) -> Array:
    """P(T <= t) for dof > 0, both of the same shape. Absolute error below 1e-12."""
    flat_t, flat_dof = t.ravel(), np.broadcast_to(dof, t.shape).ravel()
    if flat_dof.size and flat_dof.min() == flat_dof.max():
        return _cdf(flat_t, float(flat_dof[0])).reshape(t.shape)
    chance = np.empty_like(flat_t)
    for one in _distinct(flat_dof):
        at = np.flatnonzero(flat_dof == one)
        chance[at] = _cdf(flat_t[at], one)
    return chance.reshape(t.shape)


def _distinct(dof: Array) -> list[float]:
    """The distinct values; counting is far quicker than sorting for small whole numbers."""
    whole = dof.astype(np.intp)
    if whole.max() > 10 * LONGEST_SUM or not np.array_equal(whole, dof):
        return [float(one) for one in np.unique(dof)]
    return [float(one) for one in np.flatnonzero(np.bincount(whole))]


def _cdf(t: Array, dof: float) -> Array:
    if dof > LONGEST_SUM or dof != int(dof):
        return np.asarray(stdtr(dof, t))
    return 0.5 + 0.5 * (_even_sum(t, int(dof)) if int(dof) % 2 == 0 else _odd_sum(t, int(dof)))


def _even_sum(t: Array, dof: int) -> Array:
    """A(t | dof) = sin (1 + 1/2 cos^2 + (1 3)/(2 4) cos^4 + ... to cos^(dof-2)), by Horner's rule."""
    cos2 = dof / (dof + t * t)
    total = np.ones_like(t)
    for k in range(dof // 2 - 1, 0, -1):
        total *= cos2
        total *= (2.0 * k - 1.0) / (2.0 * k)
        total += 1.0
    total *= t / np.sqrt(dof + t * t)
    return total


def _odd_sum(t: Array, dof: int) -> Array:
    """A(t | dof) = 2/pi (theta + sin (cos + 2/3 cos^3 + ... to cos^(dof-2)))."""
    theta, cos2 = np.arctan(t / math.sqrt(dof)), dof / (dof + t * t)
    if dof == 1:
        return theta * (2.0 / math.pi)
    total = np.ones_like(t)
    for k in range((dof - 3) // 2, 0, -1):
        total *= cos2
        total *= 2.0 * k / (2.0 * k + 1.0)
        total += 1.0
    total *= t * math.sqrt(dof) / (dof + t * t)  # sin cos
    total += theta
    return total * (2.0 / math.pi)
