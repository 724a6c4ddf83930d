"""A toleranced size: where it is expected to come out, over what is allowed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from service.pages.plots.plot import NARROW
from service.pages.wording import number, percent
from workers.model.routing import Candidate, FitPrediction

if TYPE_CHECKING:
    from service.pages.plots.sheet import Sheet

SIDE, TOP, FLOOR, HEIGHT = 10.0, 8.0, 100.0, 122.0  # px
SPREADS = 4.0  # half the drawn width of a curve, in scales
STEPS = 48
NORMAL_FROM = 1e5  # degrees of freedom from which Student's t is drawn as a normal distribution
CLOSE, LETTERS = 96.0, 46.0  # px between limits under which their figures stand outside; room of one figure


@dataclass(frozen=True, slots=True, kw_only=True)
class FitPlot:
    """The prediction of the choice and of the runner-up, where there is one."""

    key: str
    chosen: FitPrediction
    other: FitPrediction | None = None
    style: ClassVar[str] = "fit"

    @property
    def title(self) -> str:
        return f"{self.chosen.name}: predicted size against its limits"

    @property
    def words(self) -> str:
        one = self.chosen
        said = f"Allowed {number(one.lower_mm, 3)} to {number(one.upper_mm, 3)} mm. Choice: {_told(one)}."
        return said if self.other is None else f"{said} Second: {_told(self.other)}."

    @property
    def size(self) -> tuple[float, float]:
        return NARROW, HEIGHT

    def draw(self, sheet: Sheet) -> None:
        shown = [one for one in (self.chosen, self.other) if one is not None]
        limits = (self.chosen.lower_mm, self.chosen.upper_mm)
        low = min(limits[0], *(one.mean_mm - SPREADS * one.scale_mm for one in shown))
        high = max(limits[1], *(one.mean_mm + SPREADS * one.scale_mm for one in shown))
        peak = max(density(one, one.mean_mm) for one in shown)
        field = sheet.field((SIDE, TOP, NARROW - SIDE, FLOOR), (low, high), (peak, 0.0))
        field.areas("band", [((limits[0], 0.0), (limits[1], peak))])
        field.curve("curve-chosen", curve(self.chosen), floor=0.0)
        if self.other is not None:
            field.curve("curve-other", curve(self.other))
        field.spans("axis", [((low, 0.0), (high, 0.0))])
        field.spans("limit", [((x, -0.05 * peak), (x, peak)) for x in limits])
        _write_limits(sheet, limits, (low, high))


def _write_limits(sheet: Sheet, limits: tuple[float, float], ends: tuple[float, float]) -> None:
    """Figures under the limits; outside of them where they are close, and never over the edge."""
    room = (NARROW - 2.0 * SIDE) / (ends[1] - ends[0])
    left, right = (SIDE + room * (x - ends[0]) for x in limits)
    words = number(limits[0], 3), f"{number(limits[1], 3)} mm"
    if right - left < CLOSE:
        sheet.words("tick", (max(left, LETTERS), FLOOR + 19.0), words[0], "end")
        sheet.words("tick", (min(right, NARROW - 1.4 * LETTERS), FLOOR + 19.0), words[1])
    else:
        sheet.words("tick", (max(left, LETTERS / 2.0), FLOOR + 19.0), words[0], "middle")
        sheet.words("tick", (min(right, NARROW - 0.7 * LETTERS), FLOOR + 19.0), words[1], "middle")


def fit_plots(chosen: Candidate, other: Candidate | None) -> tuple[FitPlot, ...]:
    """The sizes of the choice, each with the runner-up's prediction of it beside."""
    others = {one.name: one for one in other.fits} if other is not None else {}
    return tuple(
        FitPlot(key=f"fit-{i}", chosen=fit, other=others.get(fit.name)) for i, fit in enumerate(chosen.fits, start=1)
    )


def curve(fit: FitPrediction) -> list[tuple[float, float]]:
    """(mm, 1/mm) from end to end."""
    at = [fit.mean_mm + fit.scale_mm * SPREADS * (2.0 * i / STEPS - 1.0) for i in range(STEPS + 1)]
    return [(mm, density(fit, mm)) for mm in at]


def density(fit: FitPrediction, mm: float) -> float:
    """Density of the predicted size, 1/mm: Student's t with its mean, scale and degrees of freedom."""
    z, n = (mm - fit.mean_mm) / fit.scale_mm, fit.dof
    if n > NORMAL_FROM:
        return math.exp(-z * z / 2.0) / (fit.scale_mm * math.sqrt(2.0 * math.pi))
    ln = math.lgamma((n + 1.0) / 2.0) - math.lgamma(n / 2.0) - (n + 1.0) / 2.0 * math.log1p(z * z / n)
    return math.exp(ln) / (fit.scale_mm * math.sqrt(n * math.pi))


def _told(fit: FitPrediction) -> str:
    return f"{number(fit.mean_mm, 3)} ± {number(fit.scale_mm, 3)} mm, conforms {percent(fit.probability)}"
