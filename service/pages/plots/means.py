"""Means with their intervals, one a row, over the limits that they should keep."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from service.pages.plots.plot import NARROW, cut
from service.pages.wording import number, signed

if TYPE_CHECKING:
    from service.pages.plots.sheet import Sheet

ROW, SIDE, TOP = 36.0, 22.0, 4.0  # px: name and figure stand above the line
AXIS_ROOM, HALF = 42.0, 8.0  # HALF: of the band between the limits, which leaves the words free
ROOM = 0.06  # free at either end of the scale, as a share of it
FIGURE = 92.0  # px of a figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Mean:
    """value in the unit of the plot, figure in words. low, high: ends of its interval; None: it has none."""

    label: str
    figure: str
    value: float
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeansPlot:
    """unit: of the values, in words. limits: lower and upper; None: none. is_signed: values are differences."""

    key: str
    title: str
    words: str
    unit: str
    means: tuple[Mean, ...]
    limits: tuple[float, float] | None = None
    is_signed: bool = False
    style: ClassVar[str] = "means"

    @property
    def size(self) -> tuple[float, float]:
        return NARROW, TOP + ROW * len(self.means) + AXIS_ROOM

    def draw(self, sheet: Sheet) -> None:
        from service.pages.plots.sheet import round_figures

        low, high = self.span()
        floor = TOP + ROW * len(self.means)
        field = sheet.field((SIDE, 0.0, NARROW - SIDE, floor), (low, high), (0.0, floor))
        field.spans("axis", [((low, floor), (high, floor))])
        ticks = round_figures(low, high)
        field.spans("axis", [((x, floor), (x, floor + 5.0)) for x in ticks])
        for x in ticks:
            field.words("tick", (x, floor + 19.0), signed(x) if self.is_signed else number(x, 3), "middle")
        sheet.words("tick", (NARROW / 2.0, floor + 36.0), self.unit, "middle")
        rows = [(one, TOP + ROW * i + 26.0) for i, one in enumerate(self.means)]
        if self.limits is not None:
            lower, upper = self.limits
            field.areas("limits", [((lower, y - HALF), (upper, y + HALF)) for _, y in rows])
            field.spans("limit", [((x, y - HALF), (x, y + HALF)) for _, y in rows for x in self.limits])
        for one, y in rows:
            if one.low is not None and one.high is not None:
                ends = [((x, y - 5.0), (x, y + 5.0)) for x in (one.low, one.high)]
                field.spans("span", [((one.low, y), (one.high, y)), *ends])
            sheet.words("row-label", (0.0, y - 12.0), cut(one.label, NARROW - FIGURE))
            sheet.words("row-label", (NARROW, y - 12.0), one.figure, "end")
        field.dots("dot", [(one.value, y) for one, y in rows], 4.5)

    def span(self) -> tuple[float, float]:
        """Ends of a scale that holds every figure, with some room."""
        ends = [v for one in self.means for v in (one.value, one.low, one.high) if v is not None]
        ends = [v for v in (*ends, *(self.limits or ())) if math.isfinite(v)]
        low, high = min(ends, default=0.0), max(ends, default=0.0)
        room = ROOM * (high - low) or 0.05
        return low - room, high + room
