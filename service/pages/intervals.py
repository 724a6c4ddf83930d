"""Beliefs drawn as intervals on one scale, and predictions against what came true: geometry only, colours by class."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from workers.model.check import ReliabilityBin

WIDTH, ROW, LEFT, RIGHT = 520.0, 24.0, 226.0, 10.0
AXIS_ROOM = 26.0
SQUARE = 150.0  # side of the drawing of predictions against what came true


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """Figures above 0. low to high holds 90 %; prior and observed: None where there is none."""

    label: str
    low: float
    mid: float
    high: float
    prior: float | None = None
    observed: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One belief in user units; observed and prior None: not drawn."""

    label: str
    y: float
    low: float
    mid: float
    high: float
    prior: float | None
    observed: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalPlot:
    height: float
    lines: tuple[Line, ...]
    ticks: tuple[tuple[float, str], ...]


def interval_plot(beliefs: Sequence[Belief]) -> IntervalPlot:
    """On a logarithmic scale, which spans every figure shown. ``beliefs`` must not be empty."""
    low, high = _span(beliefs)

    def at(value: float | None) -> float | None:
        return None if value is None or value <= 0 else LEFT + (math.log(value / low) / math.log(high / low)) * _ROOM

    lines = tuple(
        Line(
            label=one.label,
            y=ROW * i + ROW / 2,
            low=at(one.low) or LEFT,
            mid=at(one.mid) or LEFT,
            high=at(one.high) or LEFT,
            prior=at(one.prior),
            observed=at(one.observed),
        )
        for i, one in enumerate(beliefs)
    )
    ticks = tuple((at(value) or LEFT, f"{value:g}") for value in _ticks(low, high))
    return IntervalPlot(height=ROW * len(lines) + AXIS_ROOM, lines=lines, ticks=ticks)


_ROOM = WIDTH - LEFT - RIGHT


def _span(beliefs: Sequence[Belief]) -> tuple[float, float]:
    values = [v for one in beliefs for v in (one.low, one.mid, one.high, one.prior, one.observed) if v and v > 0]
    low, high = min(values), max(values)
    return (low / 1.1, high * 1.1)


def _ticks(low: float, high: float) -> list[float]:
    """1, 2 and 5 of each power of ten inside the span; the powers alone where these are many."""
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    fine = [m * 10.0**p for p in powers for m in (1, 2, 5) if low <= m * 10.0**p <= high]
    coarse = [v for v in fine if math.log10(v).is_integer()]
    if len(fine) <= 6:
        return [round(v, 12) for v in fine] or [float(f"{low:.3g}"), float(f"{high:.3g}")]
    return [round(v, 12) for v in coarse]


def reliability_points(bins: Sequence[ReliabilityBin]) -> tuple[tuple[float, float, float], ...]:
    """(x, y, radius) in a square of SQUARE: predicted to the right, come true upwards, area by how many."""
    most = max((one.n for one in bins), default=1)
    return tuple(
        (SQUARE * one.predicted, SQUARE * (1 - one.observed), 2.0 + 6.0 * math.sqrt(one.n / most))
        for one in bins
        if one.n
    )
