"""Beliefs drawn as intervals on one scale, and predictions against what came true: geometry only, colours by class."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from workers.model.check import ReliabilityBin

WIDTH, ROW, LEFT, RIGHT = 360.0, 34.0, 8.0, 8.0  # a label stands above its line, so that a phone shows both
AXIS_ROOM = 26.0
DEEPEST = 30.0  # how far below the smallest middle the scale goes on; longer lines are cut there
MOST_TICKS = 5
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
        if value is None or value <= 0:
            return None
        return LEFT + math.log(max(value, low) / low) / math.log(high / low) * _ROOM

    lines = tuple(
        Line(
            label=one.label,
            y=ROW * i + 24.0,
            low=at(one.low) or LEFT,
            mid=at(one.mid) or LEFT,
            high=at(one.high) or LEFT,
            prior=at(one.prior),
            observed=at(one.observed),
        )
        for i, one in enumerate(beliefs)
    )
    ticks = tuple((at(value) or LEFT, f"{value:.3g}") for value in _ticks(low, high))
    return IntervalPlot(height=ROW * len(lines) + AXIS_ROOM, lines=lines, ticks=ticks)


_ROOM = WIDTH - LEFT - RIGHT


def _span(beliefs: Sequence[Belief]) -> tuple[float, float]:
    values = [v for one in beliefs for v in (one.mid, one.high, one.prior, one.observed) if v and v > 0]
    low = max(min(values) / DEEPEST, min((one.low for one in beliefs if one.low > 0), default=0.0))
    return min(low, *values) / 1.1, max(values) * 1.1


def _ticks(low: float, high: float) -> list[float]:
    """Round figures inside the span, a few: 1, 2 and 5 of each power of ten, or every so many powers alone."""
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    fine = [m * 10.0**p for p in powers for m in (1, 2, 5) if low <= m * 10.0**p <= high]
    coarse = [v for v in fine if math.log10(v).is_integer()]
    if len(fine) <= MOST_TICKS:
        return fine or [low, high]
    return coarse[:: -(-len(coarse) // MOST_TICKS)] or fine[::2]


def reliability_points(bins: Sequence[ReliabilityBin]) -> tuple[tuple[float, float, float], ...]:
    """(x, y, radius) in a square of SQUARE: predicted to the right, come true upwards, area by how many."""
    most = max((one.n for one in bins), default=1)
    return tuple(
        (SQUARE * one.predicted, SQUARE * (1 - one.observed), 2.0 + 6.0 * math.sqrt(one.n / most))
        for one in bins
        if one.n
    )
