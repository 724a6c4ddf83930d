"""Reading in a gauge piece: holes and bosses of known size, measured, give the allowances and the spread. Pure.

A size's error is its side's allowance (holes, bosses) plus scatter, the scatter taken as equal on both sides.
Intervals: Student t for an allowance, chi-squared for the spread (NIST/SEMATECH e-Handbook of Statistical Methods,
sections 1.3.5.2 and 1.3.5.8); a reading out of line with its side: Grubbs' test (section 1.3.5.17).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.special import chdtri, stdtr, stdtrit

from workers.learning.arrays import Array

SHARE = 0.9  # of the intervals, as everywhere (ours) (ours)
# Engineering priors: from where on the fit says that something is not as assumed.
OUT_OF_LINE = 0.01  # chance, both sides together, that sound readings hold one so far out (Grubbs)
SLOPE = 0.01  # chance that sound readings grow so much with their size
SLOPE_FEWEST, GRUBBS_FEWEST = 5, 4
NO_SCATTER_MM = 1e-6  # less than any instrument tells: all readings agree


class GaugeKind(StrEnum):
    HOLE = "hole"
    BOSS = "boss"


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeSize:
    """One diameter of the gauge piece, as drawn and as measured."""

    kind: GaugeKind
    nominal_mm: float
    measured_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SideFit:
    """Holes or bosses. allowance_mm: mean of measured - nominal, low and high: its 90 % interval (None: one reading).

    slope_per_10_mm: how much the error grows over 10 mm of size, mm; None where the sizes do not tell.
    """

    kind: GaugeKind
    n: int
    allowance_mm: float
    allowance_low_mm: float | None
    allowance_high_mm: float | None
    slope_per_10_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeResidual:
    """error_mm: measured - nominal; residual_mm: what the allowance leaves of it."""

    kind: GaugeKind
    nominal_mm: float
    measured_mm: float
    error_mm: float
    residual_mm: float
    out_of_line: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeFit:
    """size_sd_mm: scatter of single sizes about their allowance (dof degrees of freedom), low and high: 90 %."""

    hole: SideFit | None
    boss: SideFit | None
    size_sd_mm: float | None
    size_sd_low_mm: float | None
    size_sd_high_mm: float | None
    dof: int
    residuals: tuple[GaugeResidual, ...]
    notes: tuple[str, ...]


def fit_gauge(sizes: Sequence[GaugeSize]) -> GaugeFit:
    """The fit of at least one size; residuals in the order of ``sizes``."""
    errors = {kind: _errors(sizes, kind) for kind in GaugeKind}
    dof = sum(len(side) - 1 for side in errors.values() if len(side))
    squares = sum(float(((side - side.mean()) ** 2).sum()) for side in errors.values() if len(side))
    sd = math.sqrt(squares / dof) if dof else None
    low, high = (None, None) if sd is None else sd_interval(sd, dof)
    hole, boss = (_side(sizes, kind, errors[kind], sd, dof) for kind in GaugeKind)
    residuals = tuple(_residuals(sizes, errors))
    return GaugeFit(
        hole=hole,
        boss=boss,
        size_sd_mm=sd,
        size_sd_low_mm=low,
        size_sd_high_mm=high,
        dof=dof,
        residuals=residuals,
        notes=tuple(_notes(hole, boss, sizes, residuals)),
    )


def mean_interval(mean: float, sd: float, n: int, dof: int, share: float = SHARE) -> tuple[float, float]:
    """Confidence interval of a mean of n readings whose scatter is known with ``dof`` degrees of freedom."""
    half = float(stdtrit(dof, 0.5 + share / 2.0)) * sd / math.sqrt(n)
    return mean - half, mean + half


def sd_interval(sd: float, dof: int, share: float = SHARE) -> tuple[float, float]:
    """Confidence interval of a standard deviation: sd sqrt(dof / chi^2)."""
    tail = (1.0 - share) / 2.0
    return sd * math.sqrt(dof / float(chdtri(dof, tail))), sd * math.sqrt(dof / float(chdtri(dof, 1.0 - tail)))


def grubbs_critical(n: int, chance: float, sides: int = 2) -> float:
    """How many standard deviations from the mean the furthest of n sound readings may lie."""
    t = float(stdtrit(n - 2, chance / (sides * n)))
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def growth(nominal: Array, errors: Array) -> tuple[float, float]:
    """Slope of the errors over the sizes (least squares), and the chance of one so far from 0 where there is none."""
    x, y = nominal - nominal.mean(), errors - errors.mean()
    spread = float((x * x).sum())
    slope = float((x * y).sum()) / spread
    left = float(((y - slope * x) ** 2).sum()) / (len(x) - 2)
    if left == 0.0:
        return slope, 0.0 if slope else 1.0
    return slope, 2.0 * float(stdtr(len(x) - 2, -abs(slope) / math.sqrt(left / spread)))


def _errors(sizes: Sequence[GaugeSize], kind: GaugeKind) -> Array:
    return np.array([one.measured_mm - one.nominal_mm for one in sizes if one.kind is kind], dtype=np.float64)


def _side(sizes: Sequence[GaugeSize], kind: GaugeKind, errors: Array, sd: float | None, dof: int) -> SideFit | None:
    if not len(errors):
        return None
    mean = float(errors.mean())
    low, high = (None, None) if sd is None else mean_interval(mean, sd, len(errors), dof)
    slope = _slope(np.array([one.nominal_mm for one in sizes if one.kind is kind]), errors)
    return SideFit(
        kind=kind,
        n=len(errors),
        allowance_mm=mean,
        allowance_low_mm=low,
        allowance_high_mm=high,
        slope_per_10_mm=None if slope is None else 10.0 * slope[0],
    )


def _slope(nominal: Array, errors: Array) -> tuple[float, float] | None:
    """Slope and chance, None where there are too few different sizes."""
    if len(errors) < SLOPE_FEWEST or len(np.unique(nominal)) < 3 or float(errors.std()) < NO_SCATTER_MM:
        return None
    return growth(nominal, errors)


def _residuals(sizes: Sequence[GaugeSize], errors: dict[GaugeKind, Array]) -> Iterator[GaugeResidual]:
    for one in sizes:
        side = errors[one.kind]
        error = one.measured_mm - one.nominal_mm
        yield GaugeResidual(
            kind=one.kind,
            nominal_mm=one.nominal_mm,
            measured_mm=one.measured_mm,
            error_mm=error,
            residual_mm=error - float(side.mean()),
            out_of_line=_is_out_of_line(error, side),
        )


def _is_out_of_line(error: float, side: Array) -> bool:
    if len(side) < GRUBBS_FEWEST or (sd := float(side.std(ddof=1))) < NO_SCATTER_MM:
        return False
    return abs(error - float(side.mean())) / sd > grubbs_critical(len(side), OUT_OF_LINE)


def _notes(
    hole: SideFit | None, boss: SideFit | None, sizes: Sequence[GaugeSize], residuals: Sequence[GaugeResidual]
) -> Iterator[str]:
    for one in residuals:
        if one.out_of_line:
            yield (
                f"{one.kind} {one.nominal_mm:g} mm, measured {one.measured_mm:g} mm, is out of line with the other "
                f"readings ({one.residual_mm:+.3f} mm off): measure it again"
            )
    for side in (hole, boss):
        if side is None:
            continue
        if side.n == 1:
            yield f"one {side.kind} alone tells no scatter"
        errors = _errors(sizes, side.kind)
        slope = _slope(np.array([one.nominal_mm for one in sizes if one.kind is side.kind]), errors)
        if slope is not None and slope[1] < SLOPE:
            yield (
                f"the errors of the {_PLURAL[side.kind]} change by {10.0 * slope[0]:+.3f} mm per 10 mm of size: that "
                "is a matter of scaling (shrinkage, steps of the drives) which an allowance does not put right"
            )


_PLURAL = {GaugeKind.HOLE: "holes", GaugeKind.BOSS: "bosses"}
