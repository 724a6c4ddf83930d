"""What the sections computed so far lead to expect of the others, and how wrong that may be.

Ordinary kriging (Krige 1951, Matheron 1963) of what beads change, over what is known of every section: its area, its
perimeter and the ratio of both, a mean thickness. Sections that measure the same change alike wherever they lie: one
period of a lattice tells of all others. The correlation exp(-distance / RANGE), with distances in standard deviations,
and RANGE are engineering priors; the error they lead to expect was checked against all sections of lattices and rings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from workers.geometry.mesh import Floats, Ints
from workers.geometry.sections import Slabs

RANGE = 3.0
_NUGGET = 1e-4  # of the variance: what the measures do not tell
# Its own standard error may be short by so many times where outlines change in steps (a coarse lattice: 2.6).
# Engineering prior.
_SHORT = 2.5
_LEAST_SPREAD = 1e-3  # of the mean: measures that vary less are one


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """values (n, k): what is expected of each slab; unsure (n, n) their covariance in units of scale (k,) squared.

    weights (n,): what a slab counts in the whole.
    """

    values: Floats
    unsure: Floats
    scale: Floats
    weights: Floats

    @property
    def sums(self) -> Floats:
        """(k,) of the whole."""
        return np.asarray(self.weights @ self.values)

    @property
    def wrong(self) -> Floats:
        """(k,) how far the sums may be off."""
        variance = float(self.weights @ self.unsure @ self.weights)
        return np.asarray(_SHORT * math.sqrt(max(variance, 0.0)) * self.scale)

    def next(self, count: int) -> list[int]:
        """The slabs that would take most off the standard error, one after the other."""
        unsure, chosen = self.unsure.copy(), []
        for _ in range(count):
            variance = np.diag(unsure)
            told = np.where(variance > 1e-9, (unsure @ self.weights) ** 2 / np.maximum(variance, 1e-9), 0.0)
            slab = int(np.argmax(told))
            if told[slab] <= 0:
                break
            chosen.append(slab)
            unsure -= np.outer(unsure[:, slab], unsure[:, slab]) / unsure[slab, slab]
        return chosen


@dataclass(frozen=True, slots=True, eq=False)
class Kriging:
    """correlation (n, n) between the slabs of a part; weights as in Expected."""

    correlation: Floats
    weights: Floats

    @classmethod
    def over(cls, slabs: Slabs) -> Kriging:
        """Between the slabs of a part."""
        measures = np.stack([slabs.area, slabs.perimeter, slabs.area / np.maximum(slabs.perimeter, 1e-9)], axis=1)
        share = slabs.area * slabs.dz / slabs.volume
        mean = share @ measures
        spread = np.maximum(np.sqrt(share @ (measures - mean) ** 2), _LEAST_SPREAD * np.abs(mean) + 1e-300)
        scaled = measures / spread
        distance = np.sqrt(((scaled[:, None] - scaled) ** 2).sum(axis=2))
        return cls(np.exp(-distance / RANGE), share)

    def estimate(self, known: Ints, values: Floats) -> Expected:
        """From values (m, k) of the slabs ``known`` (m,): those of all slabs. m is 2 or more."""
        among = self.correlation[np.ix_(known, known)] + _NUGGET * np.eye(len(known))
        inverse = np.asarray(np.linalg.inv(among), dtype=np.float64)
        row: Floats = inverse.sum(axis=1)
        mean = row @ values / row.sum()
        weight: Floats = inverse @ (values - mean)
        near = self.correlation[:, known]
        expected = np.maximum(mean + near @ weight, 0.0)
        expected[known] = values
        rest = 1 - near @ row
        unsure = self.correlation - near @ inverse @ near.T + np.outer(rest, rest) / row.sum()
        unsure[known] = unsure[:, known] = 0.0
        return Expected(expected, unsure, _scale(inverse, row, weight), self.weights)


def _scale(inverse: Floats, row: Floats, weight: Floats) -> Floats:
    """(k,) standard deviation, from how far each known value lies from what the others lead to expect of it."""
    without = np.diag(inverse) - row**2 / row.sum()
    return np.asarray(np.sqrt((weight**2 / np.maximum(without, 1e-12)[:, None]).mean(axis=0)))
