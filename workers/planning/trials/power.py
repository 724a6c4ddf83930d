"""How small a difference a trial can show, before it is printed.

A difference of two bores is seen when Student's t is beyond its limit; where it is truly there, t is noncentral with
difference / standard error (Montgomery 2012, 2.4; Cohen 1988, Statistical Power Analysis, 2; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

from scipy.special import nctdtr, stdtrit

POWERS = (0.8, 0.9)
ALPHA = 0.05
_CERTAIN = 30.0  # standard errors: seen for sure with 2 dof or more, and the distribution is hard to work out
_SEARCH_SD = _CERTAIN  # a trial that is worse than this tells nothing


def power_of(difference: float, error: float, dof: int, alpha: float) -> float:
    """Chance of seeing a true difference whose estimate has that standard error, at a two-sided alpha."""
    limit, shift = float(stdtrit(dof, 1.0 - alpha / 2.0)), abs(difference) / error
    if shift > _CERTAIN:
        return 1.0
    return 1.0 - float(nctdtr(dof, shift, limit)) + _beyond(dof, shift, -limit)


def _beyond(dof: int, shift: float, limit: float) -> float:
    """Chance of an opposite sign beyond the limit; too small to matter, or to work out, once the shift is large."""
    return float(nctdtr(dof, shift, limit)) if shift < 5.0 else 0.0


@lru_cache(maxsize=256)
def least_difference(error: float, dof: int, alpha: float, power: float) -> float | None:
    """The smallest true difference seen with that power; None where no dof are left."""
    if dof < 1:
        return None
    low, high = 0.0, 1.0
    while power_of(high, 1.0, dof, alpha) < power:
        high *= 2.0
        if high > _SEARCH_SD:
            return None
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if power_of(middle, 1.0, dof, alpha) < power else (low, middle)
    return high * error


def runs_needed(
    sd: float, difference: float, alpha: float, power: float, blocks: int, bores: int, most: int
) -> int | None:
    """Runs of each bore, in complete blocks, that see the difference with that power; None: more than ``most``."""

    def enough(runs: int) -> bool:
        dof = bores * runs - max(1, min(blocks, runs)) - bores + 1
        return dof >= 1 and power_of(difference, sd * math.sqrt(2.0 / runs), dof, alpha) >= power

    return first_true(2, most, enough)


def first_true(low: int, high: int, holds: Callable[[int], bool]) -> int | None:
    """The first number from low to high at which something holds that then goes on holding; None: it does not."""
    if low > high or not holds(high):
        return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle + 1, high)
    return low
