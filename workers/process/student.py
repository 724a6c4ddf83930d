"""Student's t distribution function, fast for the whole-numbered degrees of freedom that evidence brings.

Abramowitz & Stegun 26.7.3 and 26.7.4 (from memory): finite sums in theta = arctan(t / sqrt(dof)). scipy's
stdtr, some 350 ns a value, stays for the rest and is the reference in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr

from workers.learning.arrays import Array

LONGEST_SUM = 60
PIECE = 2048  # ours: 16 kB arrays, which the allocator does not give back and fetch again


def student_cdf(t: Array, dof: Array) -> Array:
    """P(T <= t) for dof > 0, both of the same shape. Absolute error below 1e-12."""
    return _by_dof(np.broadcast_to(dof, t.shape), _cdf, t)


def student_interval(lower: Array, upper: Array, dof: Array) -> Array:
    """P(lower <= T <= upper), all of the same shape."""
    return _by_dof(dof, _interval, lower, upper)


def _by_dof(dof: Array, chance: Callable[..., Array], *values: Array) -> Array:
    """``chance(*values, dof)`` piece by piece, each of one dof: the finite sums are quick only for a single one."""
    flat, columns = dof.ravel(), [value.ravel() for value in values]
    if flat.size == 0 or flat.min() == flat.max():
        return chance(*columns, float(flat[0]) if flat.size else 1.0).reshape(dof.shape)
    order = _order(flat)
    found = np.empty_like(flat)
    for places in _pieces(order, flat[order]):
        found[places] = chance(*(column[places] for column in columns), float(flat[places[0]]))
    return found.reshape(dof.shape)


def _pieces(order: NDArray[np.intp], dof: Array) -> Iterator[NDArray[np.intp]]:
    """Runs of equal dof, none longer than PIECE: small arrays come from memory that is at hand."""
    ends, start = [*(np.flatnonzero(dof[1:] != dof[:-1]) + 1).tolist(), len(dof)], 0
    for end in ends:
        for at in range(start, end, PIECE):
            yield order[at : min(at + PIECE, end)]
        start = end


def _order(dof: Array) -> NDArray[np.intp]:
    """Places by rising dof; small whole numbers sort in linear time."""
    whole = dof.astype(np.int16) if dof.max() < np.iinfo(np.int16).max else None
    return np.argsort(dof if whole is None or (whole != dof).any() else whole, kind="stable")


def _interval(lower: Array, upper: Array, dof: float) -> Array:
    found = _cdf(upper, dof)
    found -= _cdf(lower, dof)
    return found


def _cdf(t: Array, dof: float) -> Array:
    if dof > LONGEST_SUM or dof != int(dof):
        return np.asarray(stdtr(dof, t))
    found = _even_sum(t, int(dof)) if int(dof) % 2 == 0 else _odd_sum(t, int(dof))
    found *= 0.5
    found += 0.5
    return found


def _even_sum(t: Array, dof: int) -> Array:
    """A(t | dof) = sin (1 + 1/2 cos^2 + (1 3)/(2 4) cos^4 + ... to cos^(dof-2)), by Horner's rule."""
    whole = t * t
    whole += dof
    cos2 = dof / whole
    *lower, highest = _even_terms(dof // 2)
    total = np.full_like(t, highest)
    for term in reversed(lower):
        total *= cos2
        total += term
    total *= t
    total /= np.sqrt(whole, out=whole)
    return total


@cache
def _even_terms(n: int) -> tuple[float, ...]:
    """1, 1/2, (1 3)/(2 4) ... n of them."""
    return tuple(math.prod((2.0 * i - 1.0) / (2.0 * i) for i in range(1, k + 1)) for k in range(n))


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
