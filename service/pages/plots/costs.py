"""Costs by cause, today's beside the best found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from service.pages.plots.plot import NARROW
from service.pages.wording import number

if TYPE_CHECKING:
    from service.pages.plots.sheet import Sheet

ROW, BAR, VALUE = 56.0, 14.0, 58.0  # px; of a figure at the end of its bar
AXIS_ROOM = 24.0


@dataclass(frozen=True, slots=True)
class Cause:
    words: str
    today: float
    best: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CostsPlot:
    """The cause above its two bars: today's, and that of the best line-up found. unit: in words."""

    key: str
    title: str
    words: str
    unit: str
    causes: tuple[Cause, ...]
    style: ClassVar[str] = "costs"

    @property
    def size(self) -> tuple[float, float]:
        return NARROW, ROW * len(self.causes) + AXIS_ROOM

    def draw(self, sheet: Sheet) -> None:
        most = max((max(one.today, one.best) for one in self.causes), default=0.0) or 1.0
        floor = ROW * len(self.causes)
        field = sheet.field((1.0, 0.0, NARROW - VALUE, floor), (0.0, most), (0.0, floor))
        tops = [(one, ROW * i + 20.0) for i, one in enumerate(self.causes)]
        field.areas("bar-other", [((0.0, y), (one.today, y + BAR)) for one, y in tops])
        field.areas("bar-chosen", [((0.0, y + BAR + 2.0), (one.best, y + 2.0 * BAR + 2.0)) for one, y in tops])
        field.spans("axis", [((0.0, y - 2.0), (0.0, y + 2.0 * BAR + 4.0)) for _, y in tops])
        for one, y in tops:
            sheet.words("row-label", (0.0, y - 6.0), one.words)
            for figure, under in ((one.today, y + 11.0), (one.best, y + BAR + 14.0)):
                sheet.words("row-label", (NARROW, under), number(figure, 0), "end")
        sheet.words("tick", (NARROW, floor + 16.0), self.unit, "end")
