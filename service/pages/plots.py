"""Curves drawn on the server: predicted sizes over their tolerance bands, clog risk over volume. Geometry only.

Templates turn it into SVG; colours come from the style sheet.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from workers.model.routing import Candidate, FitPrediction

WIDTH, HEIGHT = 340.0, 110.0
FLOOR = 92.0  # y of the axis; labels stand under it
SPREADS = 4.0  # half the drawn width of a curve, in scales
STEPS = 48
CURVES = 3  # candidates in the clog plot: the choice and the next two
COPIES_MOST = 20
NORMAL_FROM = 1e5  # degrees of freedom from which Student's t is drawn as a normal distribution


@dataclass(frozen=True, slots=True, kw_only=True)
class FitPlot:
    """One toleranced size. Paths are SVG path data; other: "" without a runner-up. x of the limits in user units."""

    name: str
    lower_mm: float
    upper_mm: float
    lower_x: float
    upper_x: float
    chosen: str
    other: str
    chosen_fit: FitPrediction
    other_fit: FitPrediction | None


@dataclass(frozen=True, slots=True)
class RiskCurve:
    """One candidate's curve. at: chance at each of the plot's marks; y of its end."""

    label: str
    path: str
    end_y: float
    at: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClogPlot:
    """marks: (copies, cm³, x) that the table reads off; top: chance at the upper edge."""

    marks: tuple[tuple[int, float, float], ...]
    top: float
    curves: tuple[RiskCurve, ...]


def fit_plots(chosen: Candidate, other: Candidate | None) -> tuple[FitPlot, ...]:
    """The sizes of the choice, each with the runner-up's prediction of it beside."""
    others = {one.name: one for one in other.fits} if other is not None else {}
    return tuple(_fit_plot(fit, others.get(fit.name)) for fit in chosen.fits)


def _fit_plot(fit: FitPrediction, other: FitPrediction | None) -> FitPlot:
    drawn = [fit] if other is None else [fit, other]
    low = min(fit.lower_mm, *(one.mean_mm - SPREADS * one.scale_mm for one in drawn))
    high = max(fit.upper_mm, *(one.mean_mm + SPREADS * one.scale_mm for one in drawn))
    peak = max(density(one, one.mean_mm) for one in drawn)

    def x(mm: float) -> float:
        return 10.0 + (WIDTH - 20.0) * (mm - low) / (high - low)

    def path(one: FitPrediction) -> str:
        points = [one.mean_mm + one.scale_mm * SPREADS * (2.0 * i / STEPS - 1.0) for i in range(STEPS + 1)]
        return _path([(x(mm), FLOOR - (FLOOR - 8.0) * density(one, mm) / peak) for mm in points])

    return FitPlot(
        name=fit.name,
        lower_mm=fit.lower_mm,
        upper_mm=fit.upper_mm,
        lower_x=x(fit.lower_mm),
        upper_x=x(fit.upper_mm),
        chosen=path(fit),
        other="" if other is None else path(other),
        chosen_fit=fit,
        other_fit=other,
    )


def density(fit: FitPrediction, mm: float) -> float:
    """Density of the predicted size, 1/mm: Student's t with its mean, scale and degrees of freedom."""
    z, n = (mm - fit.mean_mm) / fit.scale_mm, fit.dof
    if n > NORMAL_FROM:
        return math.exp(-z * z / 2.0) / (fit.scale_mm * math.sqrt(2.0 * math.pi))
    ln = math.lgamma((n + 1.0) / 2.0) - math.lgamma(n / 2.0) - (n + 1.0) / 2.0 * math.log1p(z * z / n)
    return math.exp(ln) / (fit.scale_mm * math.sqrt(n * math.pi))


def clog_plot(candidates: Sequence[Candidate], labels: Sequence[str], quantity: int) -> ClogPlot | None:
    """Chance of at least one clog against the volume extruded, of the choice and the next best; None: not known."""
    known = [(c, label, risk_of(c)) for c, label in zip(candidates[:CURVES], labels, strict=False)]
    drawn = [(label, risk) for _, label, risk in known if risk is not None]
    if not drawn or known[0][2] is None:
        return None
    copy = candidates[0].volume_cm3
    most = min(max(quantity, 3), COPIES_MOST)
    top = max(risk(copy * most) for _, risk in drawn)
    marks = sorted({1, 2, most} | ({quantity} if quantity < most else set()))
    return ClogPlot(
        marks=tuple((n, n * copy, _clog_x(n / most)) for n in marks),
        top=top,
        curves=tuple(_risk_curve(label, risk, copy * most, top, [n * copy for n in marks]) for label, risk in drawn),
    )


def risk_of(candidate: Candidate) -> Callable[[float], float] | None:
    """Chance of a clog within a volume, cm³, from what the routing says of one copy.

    The belief about the rate is a gamma distribution with mean a/b, so the chance is 1 - (b / (b + V))^a; its mean
    and the chance at one copy's volume leave one b. None where the routing does not say enough.
    """
    rate, volume, known = candidate.grounds.clog_per_cm3, candidate.volume_cm3, candidate.clog_risk
    if not (rate > 0.0 and volume > 0.0 and 0.0 < known < 1.0):
        return None
    low, high, wanted = -20.0, 30.0, math.log1p(-known)
    for _ in range(100):
        middle = (low + high) / 2.0
        b = math.exp(middle)
        low, high = (middle, high) if -rate * b * math.log1p(volume / b) > wanted else (low, middle)
    b = math.exp((low + high) / 2.0)
    return lambda cm3: -math.expm1(-rate * b * math.log1p(cm3 / b))


def _risk_curve(
    label: str, risk: Callable[[float], float], far: float, top: float, marks: Sequence[float]
) -> RiskCurve:
    def y(cm3: float) -> float:
        return FLOOR - (FLOOR - 8.0) * risk(cm3) / top

    points = [(_clog_x(i / STEPS), y(far * i / STEPS)) for i in range(STEPS + 1)]
    return RiskCurve(label, _path(points), y(far), tuple(risk(cm3) for cm3 in marks))


def _clog_x(share: float) -> float:
    return 10.0 + (WIDTH - 30.0) * share


def _path(points: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
