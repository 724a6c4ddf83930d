"""What calibrations and outcomes change in a predicted size: a shift, and a spread of its own.

Rows R: every kind of feature with every axis, ``row_of(kind, axis)``. Columns C: pairings, or fit classes.
The update of a normal-inverse-gamma belief is linear in the prior variance, which depends on the feature and the
bead; so its two parts are worked out once here, and put together for each feature in fit.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from workers.learning.arrays import Array
from workers.learning.evidence import NormalBelief, update_normal_by_moments
from workers.learning.pooling import SIZE_RATIOS, Book, pooled, size_moments
from workers.model.evidence import EvidenceKey
from workers.model.part import Axis, FeatureKind

KINDS, AXES = tuple(FeatureKind), tuple(Axis)
ROWS = len(KINDS) * len(AXES)
INSIDE = np.array([kind in (FeatureKind.HOLE, FeatureKind.FLAT_HOLE, FeatureKind.SLOT) for kind in KINDS])

PRIOR_DOF = SIZE_RATIOS.dof
PRIOR_WEIGHT = SIZE_RATIOS.prior  # measured features that the prior mean is worth

# Ours: degrees of freedom are rounded down to these even ones, so that Student's t needs few of its finite sums.
_DOF_STEPS = np.array([2, 4, 6, 8, 12, 20, 40], dtype=np.float64)
DOF_MAX = int(_DOF_STEPS[-1])

Rows = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Learnt:
    """Arrays (R, C). shift: of the mean, mm; weight: observations it is worth; dof: a step, for Student's t.

    The predictive variance is prior_share * prior variance + variance, (1 + 1/weight) times that of single sizes.
    """

    shift: Array
    weight: Array
    dof: Array
    prior_share: Array
    variance: Array

    def columns(self, at: Rows) -> Learnt:
        return Learnt(*(np.take(part, at, axis=1) for part in self.parts()))

    def parts(self) -> tuple[Array, ...]:
        return self.shift, self.weight, self.dof, self.prior_share, self.variance


@dataclass(frozen=True, slots=True)
class Measured:
    """Calibrations, arrays (C,), nan where not measured: how far the allowances lay from the prior, mm.

    count: features measured; size_sd_mm: their scatter; trust: what the calibration still counts for, 0 to 1.
    """

    outside_mm: Array
    inside_mm: Array
    size_sd_mm: Array
    count: Array
    trust: Array


def row_of(kind_code: Rows, axis_code: Rows) -> Rows:
    return kind_code * len(AXES) + axis_code


def learnt_sizes(measured: Measured, book: Book | None = None, keys: Sequence[EvidenceKey] = ()) -> Learnt:
    """The prior, drawn to the neighbours, corrected by the calibration (for all kinds of its side), then by the
    pairing's own outcomes (each kind and axis for itself). ``keys`` (C,) name the pairings in ``book``."""
    columns = len(measured.count)
    belief, own = _from_neighbours(book, keys, columns)
    belief, assumed = _calibrated(belief, measured)
    after = update_normal_by_moments(belief, own[0], own[1], own[2])
    step = _DOF_STEPS[np.searchsorted(_DOF_STEPS, after.dof, side="right") - 1]
    next_one = 1.0 + 1.0 / after.weight
    share = (PRIOR_DOF + assumed) / after.dof * next_one
    return Learnt(after.mean, after.weight, step, share, after.variance * next_one)


def _from_neighbours(book: Book | None, keys: Sequence[EvidenceKey], columns: int) -> tuple[NormalBelief, Array]:
    """Beliefs (R, C) with nothing but the neighbours' squares in the variance; own n, mean, squares (3, R, C)."""
    prior = np.empty((4, ROWS, columns))
    prior[:] = np.array([0.0, PRIOR_WEIGHT, PRIOR_DOF, 0.0])[:, None, None]
    own = np.zeros((3, ROWS, columns))
    book = book or Book()
    for kind, axis in book.kinds():
        row = KINDS.index(kind) * len(AXES) + AXES.index(axis)
        for column, key in enumerate(keys):
            found = pooled(book, replace(key, kind=kind, axis=axis), size_moments, SIZE_RATIOS)
            prior[:, row, column] = found.mean, found.weight, found.dof, found.squares
            own[:, row, column] = found.own.n, found.own.mean, found.own.squares
    mean, weight, dof, squares = prior
    return NormalBelief(mean, weight, dof, squares / dof), own


def _calibrated(belief: NormalBelief, measured: Measured) -> tuple[NormalBelief, Array]:
    """The belief after the calibration; and how many observations (R, C) scatter as the prior says, none measured."""
    inside = np.repeat(INSIDE, len(AXES))[:, None]
    surprise = np.where(inside, measured.inside_mm, measured.outside_mm)
    known, spread_known = ~np.isnan(surprise), ~np.isnan(measured.size_sd_mm)
    full = np.maximum(measured.count, 1.0)
    count = np.where(known, full * measured.trust, 0.0)
    freedom = np.where(known, (full - 1.0) * measured.trust, 0.0)
    squares = freedom * np.where(spread_known, measured.size_sd_mm, 0.0) ** 2
    after = update_normal_by_moments(belief, count, np.where(known, surprise, 0.0), squares)
    return after, np.where(spread_known, 0.0, freedom)
