"""Between computed layers: what is interpolated along the height, and how wrong that may be.

Values are shares of a slab's section, which changes less than the section itself; several are taken at once as columns.
A bracket is two computed slabs of one zone (no horizontal face between them) with others between.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from workers.geometry.mesh import Floats, Ints
from workers.geometry.sections import Slabs

_WRONG = 0.25  # of the disagreement of its ends, a bracket is wrong by about this. Engineering prior.
# Of what the layer that loses most loses, a layer between may, where the section bends. Engineering prior.
_HIDDEN = 0.3
# Brackets are wrong in either direction: many are together by no more than so many times the root of their squares.
_CANCEL = 3.0
_WORTH = 0.1  # brackets that may be wrong by less than this share of the worst wait


@dataclass(frozen=True, slots=True, eq=False)
class Bracketed:
    """What computed slabs tell of the whole by interpolation.

    sums (k,) of every column over the volume, as shares of it; ends (b, 2) slabs, and by (b, k) how wrong each bracket
    may be, as shares of the volume too.
    """

    sums: Floats
    ends: Ints
    by: Floats

    @property
    def wrong(self) -> Floats:
        """(k,) of all brackets together."""
        return np.asarray(np.minimum(self.by.sum(axis=0), _CANCEL * np.sqrt((self.by**2).sum(axis=0))))

    def next(self, most: int) -> list[int]:
        """The slabs in the middle of the brackets that may be most wrong in any column."""
        by = self.by.max(axis=1, initial=0.0)
        worst = np.argsort(-by, kind="stable")[:most]
        worst = worst[by[worst] > _WORTH * by.max(initial=0.0)]
        return [int(k) for k in self.ends[worst].sum(axis=1) // 2]


@dataclass(slots=True, eq=False)
class Brackets:
    """The slabs of a part, for interpolation between them."""

    slabs: Slabs
    _bends: dict[tuple[int, int], float] = field(default_factory=dict)

    @property
    def weights(self) -> Floats:
        """(n,) what a slab's section counts in the volume."""
        return np.asarray(self.slabs.area * self.slabs.dz / self.slabs.volume)

    def between(self, known: Ints, shares: Floats) -> Floats:
        """(n, k) of every slab from those (m, k) of the slabs ``known`` (m,), rising; each zone has one at least."""
        below, above = self._around(known)
        z = self.slabs.z
        low, high = z[known[below]], z[known[above]]
        part = np.clip((z - low) / np.where(high > low, high - low, 1.0), 0.0, 1.0)[:, None]
        return np.asarray((1 - part) * shares[below] + part * shares[above])

    def _around(self, known: Ints) -> tuple[Ints, Ints]:
        """For each slab, the places in ``known`` of the nearest below and above it in its zone."""
        zone, slab = self.slabs.zone, np.arange(len(self.slabs.z))
        below = np.searchsorted(known, slab, side="right") - 1
        above = np.minimum(np.searchsorted(known, slab), len(known) - 1)
        none_below = (below < 0) | (zone[known[np.maximum(below, 0)]] != zone)
        none_above = (known[above] < slab) | (zone[known[above]] != zone)
        return np.where(none_below, above, below), np.where(none_above, below, above)

    def estimate(self, known: Ints, shares: Floats) -> Bracketed:
        """The whole from shares (m, k) of the slabs ``known`` (m,), rising.

        Loud slabs may hide between where the section bends.
        """
        low = np.flatnonzero((np.diff(known) > 1) & (np.diff(self.slabs.zone[known]) == 0))
        ends = np.stack([known[low], known[low + 1]], axis=1)
        one, other = shares[low], shares[low + 1]
        hidden = np.maximum(np.maximum(one, other), _HIDDEN * shares.max(axis=0))
        upto = np.concatenate([[0.0], np.cumsum(self.weights)])
        volume = upto[ends[:, 1]] - upto[ends[:, 0] + 1]
        bend = np.array([self._bend(int(i), int(j)) for i, j in ends])[:, None]
        wrong = _WRONG * (np.abs(other - one) + bend * hidden) * volume[:, None]
        return Bracketed(self.weights @ self.between(known, shares), ends, wrong)

    def _bend(self, i: int, j: int) -> float:
        """How far perimeter over area, known at every slab, strays from a line across the bracket, as a share.

        Where a part repeats itself the ends of a bracket may agree and its middle may not: this tells.
        """
        if (i, j) not in self._bends:
            z = self.slabs.z[i : j + 1]
            edge = self.slabs.perimeter[i : j + 1] / np.maximum(self.slabs.area[i : j + 1], 1e-9)
            line = np.interp(z, [z[0], z[-1]], [edge[0], edge[-1]])
            self._bends[i, j] = min(float(np.abs(edge - line).max() / max(edge.max(), 1e-300)), 1.0)
        return self._bends[i, j]
