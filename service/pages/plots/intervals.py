"""Beliefs as dots with their intervals, one below the other on one logarithmic scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from service.pages.plots.plot import NARROW, cut

if TYPE_CHECKING:
    from service.pages.plots.sheet import Sheet

ROW, SIDE = 36.0, 10.0  # px: a label stands above its line, so that a phone shows both
AXIS_ROOM = 40.0
DEEPEST = 30.0  # how far below the smallest middle the scale goes on; longer lines are cut there


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
class IntervalPlot:
    """unit: of the figures, in words; ``beliefs`` must not be empty."""

    key: str
    title: str
    words: str
    unit: str
    beliefs: tuple[Belief, ...]
    style: ClassVar[str] = "intervals"

    @property
    def size(self) -> tuple[float, float]:
        return NARROW, ROW * len(self.beliefs) + AXIS_ROOM

    def draw(self, sheet: Sheet) -> None:
        from service.pages.plots.sheet import SQUARE, round_figures

        low, high = span(self.beliefs)
        floor = ROW * len(self.beliefs)
        box = (SIDE, 0.0, NARROW - SIDE, floor)
        field = sheet.field(box, (low, high), (0.0, floor), log=True)
        ticks = round_figures(low, high, log=True)
        field.spans("far", [((x, 0.0), (x, floor + 2.0)) for x in ticks])
        for x in ticks:
            field.words("tick", (x, floor + 16.0), f"{x:.3g}", "middle")
        sheet.words("tick", (NARROW / 2.0, floor + 34.0), self.unit, "middle")
        rows = [(one, ROW * i + 25.0) for i, one in enumerate(self.beliefs)]
        field.spans("interval", [((max(one.low, low), y), (min(one.high, high), y)) for one, y in rows])
        field.spans("prior", [((p, y - 7.0), (p, y + 7.0)) for one, y in rows if (p := _shown(one.prior))])
        field.dots("believed", [(max(one.mid, low), y) for one, y in rows], 4.5)
        field.dots("observed", [(o, y) for one, y in rows if (o := _shown(one.observed))], 4.0, SQUARE)
        for one, y in rows:
            sheet.words("row-label", (0.0, y - 11.0), cut(one.label, NARROW))


def _shown(value: float | None) -> float | None:
    """What has a place on a logarithmic scale."""
    return value if value is not None and value > 0.0 and math.isfinite(value) else None


def span(beliefs: Sequence[Belief]) -> tuple[float, float]:
    """Ends of a scale that holds every figure shown, but of the lower ends of lines only those worth their room."""
    every = (v for one in beliefs for v in (one.mid, one.high, one.prior, one.observed))
    values = [shown for v in every if (shown := _shown(v)) is not None]
    if not values:
        return 0.1, 10.0
    low = max(min(values) / DEEPEST, min((one.low for one in beliefs if one.low > 0), default=0.0))
    return min(low, *values) / 1.1, max(values) * 1.1
