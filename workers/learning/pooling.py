"""Partial pooling: what a pairing is believed to be like, from its own outcomes and a little from its neighbours.

Sizes and times: a pairing's offset scatters about its group's (same bore, same material), the group's about the
prior, and single prints about the pairing. With the ratios of the three variances given, the posterior is closed
(normal-inverse-gamma at each step; Gelman et al., BDA3, sections 3.3 and 5.4, from memory). A neighbour with many
prints still says no more than the scatter between pairings lets it.
Clogs and scrap: a neighbour's counts enter with a share of their weight (a power prior: Ibrahim & Chen 2000,
Statist. Sci. 15, 46, from memory), up to a cap, and a pairing's own with all of theirs.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from workers.learning.arrays import Array, floats
from workers.learning.evidence import GammaBelief, NormalBelief, gamma_belief, update_gamma, update_normal_by_moments
from workers.model.evidence import NOTHING, Delta, Evidence, EvidenceKey, GroupKey, Sums, group_of, plus, sort_key
from workers.model.part import Axis, FeatureKind


@dataclass(frozen=True, slots=True)
class Ratios:
    """Precisions in units of one print's own scatter: of the group about the prior, of a pairing about its group.

    spread_share: how much of a neighbour's scatter counts towards this pairing's; dof: what the prior spread is worth.
    """

    group: float
    pairing: float
    spread_share: float
    dof: float

    @property
    def prior(self) -> float:
        """Prints that the prior mean of a pairing is worth."""
        return 1.0 / (1.0 / self.group + 1.0 / self.pairing)


# Engineering priors, all of them: machines differ more than their bores and materials do, and those more than prints.
SIZE_RATIOS = Ratios(group=1.0, pairing=1.0 / 3.0, spread_share=0.25, dof=4.0)
TIME_RATIOS = Ratios(group=0.5, pairing=1.0 / 6.0, spread_share=0.25, dof=4.0)
TIME_REPEAT_SD = 0.05  # of ln(hours), one print to the next on one pairing
NEIGHBOUR_SHARE = 0.2  # of a neighbour's clogs and volume, prints and scrap
NEIGHBOUR_CM3_MAX = 500.0  # what all neighbours together may weigh
NEIGHBOUR_PRINTS_MAX = 10.0
CLOG_PRIOR_CM3 = 500.0  # the volume of experience that a clog rate's prior is worth
CLOG_PRIOR_MIN = 0.1  # and the clogs it is worth at least: one clog must not make a safe bore look lost
SOUND_PRIOR = (19.6, 0.4)  # beta: one print in fifty fails for another reason than a clog or a size

_PPM, _UNIT_MM = 1e-6, 1e-4  # units of the sums (ours)


@dataclass(frozen=True, slots=True)
class Moments:
    """n observations, their mean, and the sum of squares about it."""

    n: int
    mean: float
    squares: float


Part = Callable[[Sums], Moments]


@dataclass(frozen=True, slots=True)
class Pooled:
    """What neighbours leave as prior for a pairing (mean, weight, dof, squares), then its own observations."""

    mean: float
    weight: float
    dof: float
    squares: float
    own: Moments


class Book:
    """Evidence by key and by group of neighbours. ``add`` lets a replay learn as it goes."""

    def __init__(self, evidence: Iterable[Evidence] = ()) -> None:
        self._sums: dict[EvidenceKey, Sums] = {}
        self._groups: dict[GroupKey, list[EvidenceKey]] = {}
        self._moments: dict[tuple[GroupKey, Part], list[tuple[EvidenceKey, Moments]]] = {}
        # In the order of the keys: sums of floats must not depend on the order of arrival.
        for one in sorted(evidence, key=lambda one: sort_key(one.key)):
            self._groups.setdefault(group_of(one.key), []).append(one.key)
            self._sums[one.key] = one.sums

    def add(self, deltas: Iterable[Delta]) -> None:
        for key, sums in deltas:
            if key not in self._sums:
                insort(self._groups.setdefault(group_of(key), []), key, key=sort_key)
            self._sums[key] = plus(self._sums.get(key, NOTHING), sums)
        self._moments.clear()

    def of(self, key: EvidenceKey) -> Sums:
        return self._sums.get(key, NOTHING)

    def neighbours(self, key: EvidenceKey) -> list[Sums]:
        return [self._sums[other] for other in self._groups.get(group_of(key), ()) if other != key]

    def moments(self, group: GroupKey, part: Part) -> list[tuple[EvidenceKey, Moments]]:
        """Of every pairing of the group that has any."""
        found = self._moments.get((group, part))
        if found is None:
            every = ((key, part(self._sums[key])) for key in self._groups.get(group, ()))
            found = self._moments[group, part] = [(key, one) for key, one in every if one.n > 0]
        return found

    def kinds(self) -> list[tuple[FeatureKind, Axis]]:
        """The kinds of size that anything was measured of."""
        return sorted({(key.kind, key.axis) for key in self._sums if key.kind is not None and key.axis is not None})

    def sizes_by_pairing(self) -> dict[EvidenceKey, int]:
        """Sizes measured on each pairing, of every kind."""
        count: dict[EvidenceKey, int] = {}
        for key, sums in self._sums.items():
            whole = replace(key, kind=None, axis=None)
            count[whole] = count.get(whole, 0) + sums.sized
        return count


def time_moments(sums: Sums) -> Moments:
    """Of ln(actual hours / physics)."""
    return _moments(sums.timed, sums.ln_time_ppm, sums.ln_time_ppm2, _PPM)


def size_moments(sums: Sums) -> Moments:
    """Of measured minus prior mean, mm."""
    return _moments(sums.sized, sums.size_100nm, sums.size_100nm2, _UNIT_MM)


def pooled(book: Book, key: EvidenceKey, part: Part, ratios: Ratios) -> Pooled:
    """The prior that the neighbours leave for ``key``, and its own observations."""
    others = [moments for other, moments in book.moments(group_of(key), part) if other != key]
    own = part(book.of(key))
    if not others:
        return Pooled(0.0, ratios.prior, ratios.dof, 0.0, own)
    # A neighbour's mean tells the group's with the precision of its scatter about the group and its own error.
    precision = [1.0 / (1.0 / ratios.pairing + 1.0 / one.n) for one in others]
    total = sum(precision)
    mean = sum(q * one.mean for q, one in zip(precision, others, strict=True)) / total
    between = sum(q * (one.mean - mean) ** 2 for q, one in zip(precision, others, strict=True))
    weight = ratios.group + total
    squares = sum(one.squares for one in others) + between + ratios.group * total / weight * mean * mean
    return Pooled(
        mean=total / weight * mean,
        weight=1.0 / (1.0 / ratios.pairing + 1.0 / weight),
        dof=ratios.dof + ratios.spread_share * sum(one.n for one in others),
        squares=ratios.spread_share * squares,
        own=own,
    )


def time_belief(book: Book, keys: Sequence[EvidenceKey]) -> NormalBelief:
    """Belief (P,) about ln(hours / physics) of each pairing."""
    rows = [pooled(book, key, time_moments, TIME_RATIOS) for key in keys]
    dof, squares = _column(row.dof for row in rows), _column(row.squares for row in rows)
    variance = (TIME_RATIOS.dof * TIME_REPEAT_SD**2 + squares) / dof
    prior = NormalBelief(_column(row.mean for row in rows), _column(row.weight for row in rows), dof, variance)
    own = [row.own for row in rows]
    return update_normal_by_moments(
        prior, _column(o.n for o in own), _column(o.mean for o in own), _column(o.squares for o in own)
    )


def clog_prior(rate: ArrayLike, worth_cm3: float = CLOG_PRIOR_CM3) -> GammaBelief:
    """Gamma belief with that mean rate per cm^3, worth a stated volume, or more where the rate is tiny."""
    return gamma_belief(rate, np.maximum(worth_cm3, CLOG_PRIOR_MIN / floats(rate)))


def clog_belief(book: Book, keys: Sequence[EvidenceKey], prior: GammaBelief) -> GammaBelief:
    """Belief (P,) about clogs per cm^3, ``prior`` (P,) corrected."""
    counted = [_shared(book, key, _clogs_and_cm3, NEIGHBOUR_CM3_MAX) for key in keys]
    return update_gamma(prior, _column(events for events, _ in counted), _column(cm3 for _, cm3 in counted))


def sound_share(book: Book, keys: Sequence[EvidenceKey]) -> Array:
    """Chance (P,) that a copy does not fail for another reason than a clog or a size: the mean of a beta belief."""
    counted = [_shared(book, key, _scrap_and_prints, NEIGHBOUR_PRINTS_MAX) for key in keys]
    good, bad = SOUND_PRIOR
    return _column((good + prints - scrap) / (good + bad + prints) for scrap, prints in counted)


def _shared(
    book: Book, key: EvidenceKey, part: Callable[[Sums], tuple[float, float]], cap: float
) -> tuple[float, float]:
    """Events and exposure of the pairing itself, with a capped share of its neighbours'."""
    events, exposure = part(book.of(key))
    near = [part(sums) for sums in book.neighbours(key)]
    near_events, near_exposure = sum(e for e, _ in near), sum(x for _, x in near)
    share = min(NEIGHBOUR_SHARE, cap / near_exposure) if near_exposure > 0.0 else 0.0
    return events + share * near_events, exposure + share * near_exposure


def _clogs_and_cm3(sums: Sums) -> tuple[float, float]:
    return float(sums.clogs), sums.volume_ul / 1000.0


def _scrap_and_prints(sums: Sums) -> tuple[float, float]:
    return float(sums.scrapped), float(sums.prints)


def _moments(n: int, total: int, squares: int, unit: float) -> Moments:
    """Whole-number sums lose no digits in n sum x^2 - (sum x)^2."""
    if n == 0:
        return Moments(0, 0.0, 0.0)
    return Moments(n, total / n * unit, (n * squares - total * total) / n * unit * unit)


def _column(values: Iterable[float]) -> Array:
    return np.array(list(values), dtype=np.float64)
