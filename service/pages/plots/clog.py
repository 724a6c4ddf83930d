"""The chance of at least one clog against the volume extruded, of the choice and the next best."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from service.pages.plots.plot import NARROW
from service.pages.wording import percent
from workers.model.routing import Candidate

if TYPE_CHECKING:
    from service.pages.plots.sheet import Sheet

LEFT, RIGHT, TOP, FLOOR, HEIGHT = 10.0, 16.0, 18.0, 102.0, 138.0  # px
STEPS = 48
CURVES = 3  # candidates drawn: the choice and the next two
COPIES_MOST = 20


@dataclass(frozen=True, slots=True)
class Risk:
    """The belief about clogs is a gamma distribution of mean ``rate`` a cm³, worth ``b`` cm³ of printing."""

    rate: float
    b: float

    def within(self, cm3: float) -> float:
        """Chance of at least one clog: 1 - (b / (b + V))^(rate b)."""
        return -math.expm1(-self.rate * self.b * math.log1p(cm3 / self.b))


@dataclass(frozen=True, slots=True)
class RiskCurve:
    label: str
    risk: Risk


@dataclass(frozen=True, slots=True, kw_only=True)
class ClogPlot:
    """marks: (copies, cm³) that the table reads off, the last at the right end."""

    marks: tuple[tuple[int, float], ...]
    curves: tuple[RiskCurve, ...]
    key: ClassVar[str] = "clogs"
    title: ClassVar[str] = "Clog risk against volume"
    style: ClassVar[str] = "clog"

    @property
    def words(self) -> str:
        def said(one: RiskCurve) -> str:
            return ", ".join(f"{percent(one.risk.within(cm3))} after {n}" for n, cm3 in self.marks)

        return "; ".join(f"{one.label} mm: {said(one)} copies" for one in self.curves) + "."

    @property
    def size(self) -> tuple[float, float]:
        return NARROW, HEIGHT

    @property
    def top(self) -> float:
        """Chance at the upper edge."""
        return max(one.risk.within(self.marks[-1][1]) for one in self.curves)

    def draw(self, sheet: Sheet) -> None:
        far, top = self.marks[-1][1], self.top
        field = sheet.field((LEFT, TOP, NARROW - RIGHT, FLOOR), (0.0, far), (top, 0.0))
        for i, one in enumerate(self.curves, start=1):
            points = [(far * step / STEPS, one.risk.within(far * step / STEPS)) for step in range(STEPS + 1)]
            field.curve(f"line line-{i}", points)
        field.spans("axis", [((0.0, 0.0), (far, 0.0)), ((0.0, 0.0), (0.0, top))])
        field.spans("limit", [((cm3, -0.04 * top), (cm3, 0.04 * top)) for _, cm3 in self.marks])
        for n, cm3 in self.marks:
            field.words("tick", (cm3, -0.21 * top), str(n), "middle")
        sheet.words("tick", (LEFT, 12.0), percent(top))
        sheet.words("tick", (NARROW / 2.0, HEIGHT - 3.0), "copies", "middle")


def clog_plot(candidates: Sequence[Candidate], labels: Sequence[str], quantity: int) -> ClogPlot | None:
    """None where the risk of the choice is not known."""
    known = [(label, risk_of(one)) for one, label in zip(candidates[:CURVES], labels, strict=False)]
    if not known or known[0][1] is None:
        return None
    copy = candidates[0].volume_cm3
    most = min(max(quantity, 3), COPIES_MOST)
    marks = sorted({1, 2, most} | ({quantity} if quantity < most else set()))
    return ClogPlot(
        marks=tuple((n, n * copy) for n in marks),
        curves=tuple(RiskCurve(label, risk) for label, risk in known if risk is not None),
    )


def risk_of(candidate: Candidate) -> Risk | None:
    """From what the routing says of one copy: the mean rate and the chance at its volume leave one b.

    None where the routing does not say enough.
    """
    rate, volume, known = candidate.grounds.clog_per_cm3, candidate.volume_cm3, candidate.clog_risk
    if not (rate > 0.0 and volume > 0.0 and 0.0 < known < 1.0):
        return None
    low, high, wanted = -20.0, 30.0, math.log1p(-known)
    for _ in range(100):
        middle = (low + high) / 2.0
        b = math.exp(middle)
        low, high = (middle, high) if -rate * b * math.log1p(volume / b) > wanted else (low, middle)
    return Risk(rate, math.exp((low + high) / 2.0))
