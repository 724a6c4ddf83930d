"""A plot of each kind, and what is hard to draw: names in any letters, gaps, one point, none. How to read them back."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree as ET

from service.pages.plots.clog import ClogPlot, Risk, RiskCurve
from service.pages.plots.costs import Cause, CostsPlot
from service.pages.plots.element import drawn
from service.pages.plots.fit import FitPlot
from service.pages.plots.intervals import Belief, IntervalPlot
from service.pages.plots.matrix import Mark, MatrixPlot, MatrixRow
from service.pages.plots.means import Mean, MeansPlot
from service.pages.plots.parts import Part, PartsPlot
from service.pages.plots.plot import Plot
from service.pages.plots.reliability import Foretold, ReliabilityPlot
from service.pages.plots.schedule import Lane, SchedulePlot, Span
from workers.model.routing import FitPrediction

FIT = FitPrediction(
    name="bore", lower_mm=6.0, upper_mm=6.075, mean_mm=6.02, scale_mm=0.03, dof=5.0, probability=0.7, cpk=0.2
)
HARD_NAMES = (
    "Birch & Sons <b>",
    "ماكينة",
    "印刷機 三号",
    "W" * 80,
    r"$x^2$ \frac{1}{2}",
    "tab\tand\nline \x0b\x01\ud800 end",
    "",
)
CONTROLS = re.compile("[\x00-\x08\x0b-\x1f\ud800-\udfff]")


def intervals(*beliefs: Belief) -> IntervalPlot:
    return IntervalPlot(key="clogs", title="Clogs", words="What was found.", unit="clogs a litre", beliefs=beliefs)


def means(*all_means: Mean, limits: tuple[float, float] | None = None) -> MeansPlot:
    return MeansPlot(key="plot-0", title="Error", words="By bore.", unit="mm", means=all_means, limits=limits)


def reliability(*points: Foretold) -> ReliabilityPlot:
    return ReliabilityPlot(key="1-1", title="Fits", words="As foretold.", points=points)


def costs(*causes: Cause) -> CostsPlot:
    return CostsPlot(key="costs", title="Costs", words="By cause.", unit="cost per 168 h", causes=causes)


def parts(*all_parts: Part) -> PartsPlot:
    return PartsPlot(key="pace", title="Time", words="By limit.", parts=all_parts)


def matrix(columns: tuple[str, ...], *rows: MatrixRow) -> MatrixPlot:
    return MatrixPlot(key="matrix", title="Calibration", words="By pairing.", columns=columns, rows=rows)


def schedule(*lanes: Lane) -> SchedulePlot:
    return SchedulePlot(words="Jobs.", span_h=12.0, lanes=lanes)


CLOG = ClogPlot(
    marks=((1, 10.0), (2, 20.0), (8, 80.0)),
    curves=(
        RiskCurve("1 Alder, 0.4", Risk(0.006, 500.0)),
        RiskCurve("2 Birch, 0.6", Risk(0.001, 50.0)),
        RiskCurve("3 Rowan, 0.8", Risk(0.0005, 50.0)),
    ),
)
STATES = tuple(Mark(i, state, state, "2.3 h") for i, state in enumerate(("fresh", "ageing", "stale", "none", "barred")))
USUAL: tuple[Plot, ...] = (
    intervals(Belief(label="Alder", low=0.1, mid=1.0, high=10.0, prior=2.0, observed=3.0)),
    means(Mean(label="0.4 mm", figure="+0.01 mm", value=0.01, low=-0.01, high=0.03), limits=(0.0, 0.09)),
    reliability(Foretold(predicted=0.3, observed=0.4, n=7)),
    costs(Cause("Machine hours", 120.0, 80.0)),
    parts(
        *(Part(kind, 0.2, f"pace-{kind}", "1 h") for kind in ("melt", "motion", "cooling", "travel", "setup")),
        *(Part(kind, 0.0, f"hangs-{kind}", "1 h") for kind in ("fresh", "ageing", "stale", "none")),
    ),
    matrix(("PLA", "PETG", "ABS", "ASA", "PA"), MatrixRow("Alder", "0.4 brass", STATES)),
    FitPlot(key="fit-1", chosen=FIT, other=replace(FIT, mean_mm=6.05)),
    CLOG,
    schedule(
        Lane(
            "Alder",
            tuple(Span(i, i + 1.0, f"run{kind}") for i, kind in enumerate(("", "-moved", "-late", "-setup"))),
            (Span(0.0, 12.0, "run-held"),),
        )
    ),
)
EMPTY: tuple[Plot, ...] = (intervals(), means(), reliability(), costs(), parts(), matrix(()), schedule())
NAN, INF = float("nan"), float("inf")
ODD: tuple[Plot, ...] = (
    intervals(Belief(label="all one", low=1.0, mid=1.0, high=1.0)),
    intervals(Belief(label="no end", low=0.0, mid=1.0, high=INF, prior=NAN, observed=0.0)),
    means(Mean(label="one", figure="2", value=2.0)),
    means(Mean(label="gap", figure="–", value=NAN, low=NAN, high=1.0), Mean(label="one", figure="2", value=2.0)),
    reliability(Foretold(predicted=1.0, observed=0.0, n=1)),
    costs(Cause("Nothing", 0.0, 0.0)),
    FitPlot(key="fit-1", chosen=replace(FIT, lower_mm=99.99, upper_mm=100.01, mean_mm=100.3)),
    schedule(Lane("Alder", (Span(0.0, 0.0, "run"),), ())),
)


def named(name: str) -> tuple[Plot, ...]:
    """Each kind of plot with that name wherever one is shown."""
    return (
        replace(intervals(Belief(label=name, low=1.0, mid=2.0, high=3.0)), title=name, words=name, unit=name),
        replace(means(Mean(label=name, figure=name, value=1.0)), title=name, words=name, unit=name),
        replace(reliability(), title=name, words=name),
        replace(costs(Cause(name, 1.0, 2.0)), title=name, words=name, unit=name),
        replace(parts(Part(name, 1.0, "pace-melt", name)), title=name, words=name),
        replace(matrix((name,), MatrixRow(name, name, (Mark(0, "fresh", name, name),))), title=name, words=name),
        FitPlot(key="fit-1", chosen=replace(FIT, name=name)),
        replace(CLOG, curves=(RiskCurve(name, Risk(0.01, 50.0)),)),
        replace(schedule(Lane(name, (), ())), words=name),
    )


# Reading back


def element(plot: Plot) -> ET.Element:
    return ET.fromstring(str(drawn(plot)))


def of_kind(svg: ET.Element, kind: str, tag: str = "") -> list[ET.Element]:
    return [one for one in svg.iter(tag or None) if one.get("class") == kind]


def box(path: ET.Element) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of a circle, or of a path of straight lines and curves."""
    if path.tag == "circle":
        x0, y0, r = (float(path.get(name, "")) for name in ("cx", "cy", "r"))
        return x0 - r, y0 - r, x0 + r, y0 + r
    figures = [float(one) for one in re.findall(r"-?\d+(?:\.\d+)?", path.get("d", ""))]
    x, y = figures[::2], figures[1::2]
    dx, dy = place(path)
    return min(x) + dx, min(y) + dy, max(x) + dx, max(y) + dy


def place(path: ET.Element) -> tuple[float, float]:
    """Where a dot was put."""
    found = re.fullmatch(r"translate\((\S+) (\S+)\)", path.get("transform", "translate(0 0)"))
    assert found is not None
    return float(found.group(1)), float(found.group(2))


def middle(path: ET.Element) -> tuple[float, float]:
    left, top, right, bottom = box(path)
    return (left + right) / 2.0, (top + bottom) / 2.0


def ticks(svg: ET.Element) -> list[tuple[float, float]]:
    """(px, figure) of each tick under the plot, read as a reader does."""
    found = []
    for one in of_kind(svg, "tick", "text"):
        text = (one.text or "").replace("\N{MINUS SIGN}", "-")
        if re.fullmatch(r"[+-]?[\d.]+(e[+-]\d+)?", text):
            found.append((float(one.get("x", "")), float(text)))
    return found
