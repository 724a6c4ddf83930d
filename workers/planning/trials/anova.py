"""Fixed-effects analysis of variance in incomplete blocks, by least squares.

Response = block + bore + material x bore + scatter. A block (machine and spool) holds one material, so what materials
do to every bore alike is in the blocks. Each source is tested after those above it, against what all of them leave
(Montgomery 2012, Design and Analysis of Experiments, 4.1 and 4.4; NIST/SEMATECH e-Handbook 7.4.3; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.special import fdtrc, stdtr, stdtrit

from workers.learning.arrays import Array

_RANK = 1e-9  # singular values below this share of the largest are rounding
_SAME = 1e-14  # values this close, as a share of the largest, are the same value
_NOTHING = 1e-20  # squares below this share of all squares are rounding


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table; f and p are None for the scatter, and where there is none to test against."""

    source: str
    squares: float
    dof: int
    mean_square: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True, slots=True)
class Difference:
    """Of two bores, the second minus the first (numbers of bores), its standard error and the chance of one so far
    from 0 where there is none. material: number, None: all together."""

    first: int
    second: int
    value: float
    error: float
    p: float
    material: int | None = None


@dataclass(frozen=True, slots=True)
class Anova:
    """rows: block, bore, material x bore (only where it can be told), scatter. sd of single runs with dof."""

    rows: tuple[Row, ...]
    sd: float
    dof: int
    differences: tuple[Difference, ...]
    by_material: tuple[Difference, ...]

    def row(self, source: str) -> Row | None:
        return next((row for row in self.rows if row.source == source), None)


def analyse(y: Array, block: Sequence[int], bore: Sequence[int], material: Sequence[int]) -> Anova | None:
    """The analysis of at least two bores; None where nothing is left to tell the scatter from. All (n,)."""
    y = _about_mean(y)
    blocks, bores = _dummies(block), _dummies(bore)
    crossed = _dummies([(m, b) for m, b in zip(material, bore, strict=True)])
    models = [_Fit.of(y, blocks), _Fit.of(y, blocks, bores), _Fit.of(y, blocks, bores, crossed)]
    dof = len(y) - models[2].rank
    if dof < 1 or models[1].rank == models[0].rank:
        return None
    left = models[2].squares / dof
    rows = [_row("block", _total(y) - models[0].squares, models[0].rank - 1, left, dof)]
    rows.append(_row("bore", models[0].squares - models[1].squares, models[1].rank - models[0].rank, left, dof))
    if models[2].rank > models[1].rank:
        crossing = models[1].squares - models[2].squares
        rows.append(_row("material x bore", crossing, models[2].rank - models[1].rank, left, dof))
    rows.append(Row("scatter", models[2].squares, dof, left))
    every = np.ones(len(y), dtype=bool)
    return Anova(
        rows=tuple(rows),
        sd=math.sqrt(left),
        dof=dof,
        differences=tuple(_differences(y, block, bore, every, left, dof, None)),
        by_material=_by_material(y, block, bore, material, left, dof),
    )


def _about_mean(y: Array) -> Array:
    """Less their mean, which every model holds: no difference between bores is left of what is rounding."""
    rest = y - y.mean()
    return np.where(np.abs(rest) <= _SAME * np.abs(y).max(initial=0.0), 0.0, rest)


def half_width(error: float, dof: int, alpha: float) -> float:
    """Half the confidence interval at 1 - alpha of a value with that standard error."""
    return error * float(stdtrit(dof, 1.0 - alpha / 2.0))


@dataclass(frozen=True, slots=True)
class _Fit:
    rank: int
    squares: float  # left over

    @classmethod
    def of(cls, y: Array, *parts: Array) -> _Fit:
        base = _basis(np.hstack(parts))
        rest = y - y.mean()  # every model holds the blocks, hence the mean: taking it out first keeps the digits
        rest = rest - base @ (base.T @ rest)
        rest = rest - base @ (base.T @ rest)
        squares = float(rest @ rest)
        return cls(base.shape[1], squares if squares > _NOTHING * max(_total(y), 1e-300) else 0.0)


def _basis(columns: Array) -> Array:
    """Orthonormal columns that span the same."""
    left, values, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(left[:, values > _RANK * values[0]])


def _total(y: Array) -> float:
    rest = y - y.mean()
    return float(rest @ rest)


def _row(source: str, squares: float, dof: int, left: float, left_dof: int) -> Row:
    mean = squares / dof if dof else 0.0
    if not dof or left <= 0.0:
        return Row(source, squares, dof, mean)
    f = mean / left
    return Row(source, squares, dof, mean, f, float(fdtrc(dof, left_dof, f)))


def _dummies(labels: Sequence[object]) -> Array:
    """A column of 0 and 1 for each different label."""
    names = {label: i for i, label in enumerate(dict.fromkeys(labels))}
    return np.eye(len(names))[[names[label] for label in labels]]


def _differences(
    y: Array,
    block: Sequence[int],
    bore: Sequence[int],
    rows: Array,
    left: float,
    dof: int,
    material: int | None,
) -> list[Difference]:
    """Of every two bores within these rows, adjusted for their blocks; pairs that no block joins are left out."""
    at = np.flatnonzero(rows).tolist()
    blocks, names = _dummies([block[i] for i in at]), sorted({bore[i] for i in at})
    bores = np.array([[float(bore[i] == name) for name in names] for i in at])
    base = _basis(blocks)
    within, rest = bores - base @ (base.T @ bores), y[at] - base @ (base.T @ y[at])
    matrix = within.T @ within
    inverse = np.linalg.pinv(matrix, hermitian=True, rcond=_RANK)
    effects, kept = inverse @ (within.T @ rest), inverse @ matrix
    found = []
    for i, j in combinations(range(len(names)), 2):
        contrast = np.eye(len(names))[j] - np.eye(len(names))[i]
        if np.abs(contrast @ kept - contrast).max() > 1e-6:
            continue
        error = math.sqrt(max(left * float(contrast @ inverse @ contrast), 0.0))
        value = float(contrast @ effects)
        found.append(Difference(names[i], names[j], value, error, _chance(value, error, dof), material))
    return found


def _chance(value: float, error: float, dof: int) -> float:
    if error == 0.0:
        return 0.0 if value else 1.0
    return 2.0 * float(stdtr(dof, -abs(value) / error))


def _by_material(
    y: Array, block: Sequence[int], bore: Sequence[int], material: Sequence[int], left: float, dof: int
) -> tuple[Difference, ...]:
    names = sorted(set(material))
    if len(names) < 2:
        return ()
    rows = {name: np.array([one == name for one in material]) for name in names}
    return tuple(d for name in names for d in _differences(y, block, bore, rows[name], left, dof, name))
