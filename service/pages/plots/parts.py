"""The parts of a whole one below the other, each bar beginning where the one above it ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from service.pages.plots.plot import NARROW
from service.pages.wording import percent

if TYPE_CHECKING:
    from service.pages.plots.sheet import Sheet

ROW, LEFT, VALUE = 22.0, 84.0, 92.0  # px; of the names, of the figures


@dataclass(frozen=True, slots=True)
class Part:
    """One part: its share of 1, the class of its bar, its figure in words."""

    words: str
    share: float
    kind: str
    figure: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsPlot:
    key: str
    title: str
    words: str
    parts: tuple[Part, ...]
    style: ClassVar[str] = "parts"

    @property
    def size(self) -> tuple[float, float]:
        return NARROW, ROW * len(self.parts) + 4.0

    def draw(self, sheet: Sheet) -> None:
        floor = ROW * len(self.parts)
        field = sheet.field((LEFT, 0.0, NARROW - VALUE, floor), (0.0, 1.0), (0.0, floor))
        field.spans("axis", [((0.0, 0.0), (0.0, floor))])
        begin = 0.0
        for i, one in enumerate(self.parts):
            field.areas(one.kind, [((begin, ROW * i + 4.0), (begin + one.share, ROW * i + 18.0))])
            sheet.words("bar-label", (0.0, ROW * i + 15.0), one.words)
            sheet.words("bar-value", (NARROW, ROW * i + 15.0), one.figure, "end")
            begin += one.share


def parts_plot(key: str, title: str, parts: Sequence[Part]) -> PartsPlot:
    read = "; ".join(f"{one.words} {one.figure}, {percent(one.share)}" for one in parts)
    return PartsPlot(key=key, title=title, words=f"{read}.", parts=tuple(parts))
