"""Yes-or-no measures: exact tests within blocks.

Within each block the number of yeses is held fixed (Fisher); the statistic is the sum over yeses of the bore's rank, so
it looks for a share that rises or falls with the bore. With two bores and one block this is Fisher's exact test, with
two bores and pairs it is the exact test of McNemar, and the blocks are combined as in the exact form of the
Cochran-Mantel-Haenszel test. Agresti 2002, Categorical Data Analysis, 3.5 and 6.3; Mehta, Patel & Senchaudhuri 1992
(from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import comb

import numpy as np

from workers.learning.arrays import Array

_TIE = 1.0 + 1e-9  # chances as near as this are equal: sums of positive numbers keep 12 digits
Stratum = tuple[tuple[int, int], ...]  # yeses and runs of each bore, the narrowest first


def trend_p(strata: Sequence[Stratum]) -> float:
    """Two-sided chance of so strong a trend over the bores where there is none; 1 where nothing can be told."""
    return _tail(*_together(strata))


def homogeneity_p(strata: Sequence[Stratum], others: Sequence[Stratum]) -> float:
    """Two-sided chance that two sets of blocks (two materials) differ so much in their trend where it is the same.

    Given both sets' statistics together, a common trend cancels (Zelen 1971, Biometrika 58, 129-137; from memory).
    """
    (one, seen), (other, there) = _together(strata), _together(others)
    low, high = max(0, seen + there - (len(other) - 1)), min(len(one) - 1, seen + there)
    rest = seen + there - np.arange(low, high + 1)
    return _tail(one[low : high + 1] * other[rest], seen - low)


def _together(strata: Sequence[Stratum]) -> tuple[Array, int]:
    """Chance of each sum of the blocks' statistics, from 0 up, and the one that was seen."""
    chances, seen = np.ones(1), 0
    for stratum in strata:
        chances = np.convolve(chances, _chances(stratum))
        seen += sum(rank * yes for rank, (yes, _) in enumerate(stratum))
    return chances, seen


def _tail(chances: Array, seen: int) -> float:
    """Share of what is no likelier than what was seen."""
    return float(chances[chances <= chances[seen] * _TIE].sum() / chances.sum())


@lru_cache(maxsize=4096)
def _chances(stratum: Stratum) -> Array:
    """Chance of each statistic, from 0 up, with the block's number of yeses."""
    total = sum(yes for yes, _ in stratum)
    found: dict[tuple[int, int], int] = {(0, 0): 1}
    for rank, (_, runs) in enumerate(stratum):
        grown: dict[tuple[int, int], int] = {}
        for (yeses, statistic), ways in found.items():
            for k in range(min(runs, total - yeses) + 1):
                key = (yeses + k, statistic + rank * k)
                grown[key] = grown.get(key, 0) + ways * comb(runs, k)
        found = grown
    ways_of = {statistic: ways for (yeses, statistic), ways in found.items() if yeses == total}
    every = sum(ways_of.values())
    return np.array([ways_of.get(statistic, 0) / every for statistic in range(max(ways_of) + 1)])


def fisher_power(runs: int, share: float, other: float, alpha: float) -> float:
    """Chance that Fisher's exact test tells two shares apart with so many runs of each."""
    one, two, tells = _binomial(runs, share), _binomial(runs, other), _tells(runs, alpha)
    return sum(one[a] * two[b] for a in range(runs + 1) for b in range(runs + 1) if tells[a][b])


@lru_cache(maxsize=64)
def _tells(runs: int, alpha: float) -> tuple[tuple[bool, ...], ...]:
    """For which numbers of yeses of the two the test tells them apart."""
    each = range(runs + 1)
    return tuple(tuple(trend_p([((a, runs), (b, runs))]) <= alpha for b in each) for a in each)


@lru_cache(maxsize=256)
def lowest_telling_share(runs: int, share: float, alpha: float, power: float) -> float | None:
    """The largest share below ``share`` that is told apart from it with ``power``; None where not even 0 is."""
    if fisher_power(runs, share, 0.0, alpha) < power:
        return None
    low, high = 0.0, share
    for _ in range(20):
        middle = (low + high) / 2.0
        low, high = (middle, high) if fisher_power(runs, share, middle, alpha) >= power else (low, middle)
    return low


def _binomial(runs: int, share: float) -> list[float]:
    return [comb(runs, k) * share**k * (1.0 - share) ** (runs - k) for k in range(runs + 1)]
