"""Predictions of a chance against how many of them came true."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from service.pages.wording import percent
from workers.model.check import ReliabilityBin

if TYPE_CHECKING:
    from service.pages.plots.sheet import Sheet

SIDE, LEFT, TOP, BELOW, RIGHT = 160.0, 48.0, 22.0, 40.0, 16.0  # px
LEAST, MORE = 2.0, 6.0  # radius of a point: at least, and what the largest has on top
TICKS = (0.0, 0.5, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Foretold:
    """Predictions of nearly the same chance: foretold on average, come true, of how many."""

    predicted: float
    observed: float
    n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliabilityPlot:
    """Foretold to the right, come true upwards; the area of a point goes by how many predictions it stands for."""

    key: str
    title: str
    words: str
    points: tuple[Foretold, ...]
    style: ClassVar[str] = "reliability"

    @property
    def size(self) -> tuple[float, float]:
        return LEFT + SIDE + RIGHT, TOP + SIDE + BELOW

    def draw(self, sheet: Sheet) -> None:
        field = sheet.field((LEFT, TOP, LEFT + SIDE, TOP + SIDE), (0.0, 1.0), (1.0, 0.0))
        field.areas("frame", [((0.0, 0.0), (1.0, 1.0))])
        field.spans("far", [((0.0, 0.0), (1.0, 1.0))])
        for share in TICKS:
            sheet.words("tick", (LEFT + SIDE * share, TOP + SIDE + 16.0), f"{100 * share:.0f}", "middle")
            sheet.words("tick", (LEFT - 5.0, TOP + SIDE * (1.0 - share) + 4.0), f"{100 * share:.0f}", "end")
        sheet.words("tick", (LEFT + SIDE / 2.0, TOP + SIDE + 34.0), "foretold, %", "middle")
        sheet.words("tick", (0.0, 12.0), "came true, %")
        most = max((one.n for one in self.points), default=1)
        radii = [LEAST + MORE * math.sqrt(one.n / most) for one in self.points]
        field.dots("believed", [(one.predicted, one.observed) for one in self.points], radii)


def reliability_plot(key: str, words: str, bins: Sequence[ReliabilityBin]) -> ReliabilityPlot:
    """words: what was foretold. Bins without a prediction are left out."""
    points = tuple(Foretold(predicted=b.predicted, observed=b.observed, n=b.n) for b in bins if b.n)
    told = (f"foretold {percent(p.predicted)}, came true {percent(p.observed)} of {p.n}" for p in points)
    return ReliabilityPlot(
        key=key,
        title=f"{words}: foretold against come true",
        words="; ".join(told) or "no prediction yet",
        points=points,
    )
