"""Shares and their limits: of one, exact; of the difference of two, by the score method."""

from __future__ import annotations

import math

from scipy.special import betaincinv, ndtri


def share_limits(yes: int, runs: int, confidence: float) -> tuple[float, float]:
    """Exact limits of a share, each one-sided at (1 + confidence) / 2 (Clopper & Pearson 1934)."""
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if yes == 0 else float(betaincinv(yes, runs - yes + 1, tail))
    high = 1.0 if yes == runs else float(betaincinv(yes + 1, runs - yes, 1.0 - tail))
    return low, high


def difference_limits(yes: int, runs: int, other_yes: int, other_runs: int, alpha: float) -> tuple[float, float]:
    """Limits, at 1 - alpha, of the first share minus the other (Newcombe 1998, Statistics in Medicine 17, 873-890,
    method 10; from memory). Blocks are not looked at."""
    one, other = yes / runs, other_yes / other_runs
    (low, high), (other_low, other_high) = _wilson(yes, runs, alpha), _wilson(other_yes, other_runs, alpha)
    gap = one - other
    return gap - math.hypot(one - low, other_high - other), gap + math.hypot(high - one, other - other_low)


def _wilson(yes: int, runs: int, alpha: float) -> tuple[float, float]:
    """Score limits of a share (Wilson 1927)."""
    z = float(ndtri(1.0 - alpha / 2.0))
    share = yes / runs
    middle = share + z * z / (2.0 * runs)
    half = z * math.sqrt(share * (1.0 - share) / runs + z * z / (4.0 * runs * runs))
    return (middle - half) / (1.0 + z * z / runs), (middle + half) / (1.0 + z * z / runs)
