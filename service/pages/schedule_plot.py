"""The lists of a plan over time, today's beside them where they are known: geometry only, colours by class."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.pages.names import Names
from workers.model.dispatch import Listed
from workers.model.plan import MachinePlan, PlanResult

WIDTH, LEFT, ROW = 720.0, 124.0, 34.0
AXIS_ROOM = 24.0
STEPS_H = (1.0, 2.0, 6.0, 12.0, 24.0, 48.0, 96.0, 168.0, 336.0, 720.0)
MOST_TICKS = 7


@dataclass(frozen=True, slots=True)
class Today:
    """One machine's list as it stands: jobs that wait, their (start, end, late), and (late jobs, hours of setup)."""

    listed: tuple[Listed, ...]
    spans: tuple[tuple[float, float, bool], ...]
    cost: tuple[int, float]


@dataclass(frozen=True, slots=True)
class Span:
    x: float
    width: float
    kind: str
    said: str = ""


@dataclass(frozen=True, slots=True)
class Lane:
    """One machine: the plan above, today thinner below."""

    name: str
    y: float
    planned: tuple[Span, ...]
    today: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class SchedulePlot:
    """has_today: whether today's lists are drawn. said: the same in a sentence."""

    width: float
    height: float
    lanes: tuple[Lane, ...]
    ticks: tuple[tuple[float, str], ...]
    has_today: bool
    said: str


def schedule_plot(result: PlanResult, todays: Mapping[str, Today], names: Names) -> SchedulePlot | None:
    """None where nothing is planned."""
    shown = [one for one in result.machines if one.runs or _spans(todays, one)]
    ends = [run.end_at for one in shown for run in one.runs]
    ends += [end for one in shown for _, end, _ in _spans(todays, one)]
    if not ends or max(ends) <= result.planned_at:
        return None
    span_h = (max(ends) - result.planned_at) / 3600.0
    scale = _Scale(result.planned_at, span_h)
    lanes = tuple(_lane(one, _spans(todays, one), i, scale, names) for i, one in enumerate(shown))
    return SchedulePlot(
        width=WIDTH,
        height=ROW * len(lanes) + AXIS_ROOM,
        lanes=lanes,
        ticks=tuple(_ticks(span_h)),
        has_today=any(lane.today for lane in lanes),
        said=_said(shown, names),
    )


@dataclass(frozen=True, slots=True)
class _Scale:
    begin: float
    span_h: float

    def at(self, moment: float) -> float:
        return LEFT + (WIDTH - LEFT - 8.0) * max((moment - self.begin) / 3600.0, 0.0) / self.span_h

    def span(self, start: float, end: float, kind: str, said: str = "") -> Span:
        return Span(self.at(start), max(self.at(end) - self.at(start) - 1.0, 1.0), kind, said)


def _spans(todays: Mapping[str, Today], one: MachinePlan) -> tuple[tuple[float, float, bool], ...]:
    return todays[one.machine_id].spans if one.machine_id in todays else ()


def _lane(
    one: MachinePlan, today: Sequence[tuple[float, float, bool]], index: int, scale: _Scale, names: Names
) -> Lane:
    planned = []
    for run in one.runs:
        if run.setup_h:
            planned.append(scale.span(run.start_at - 3600.0 * run.setup_h, run.start_at, "setup"))
        late = run.due_at is not None and run.end_at > run.due_at
        kind = "late" if late else "moved" if run.moved else ""
        planned.append(scale.span(run.start_at, run.end_at, kind, run.name))
    before = tuple(scale.span(start, end, "late" if late else "held") for start, end, late in today)
    return Lane(names[one.machine_id], ROW * index, tuple(planned), before)


def _ticks(span_h: float) -> list[tuple[float, str]]:
    step = next((one for one in STEPS_H if span_h / one <= MOST_TICKS), STEPS_H[-1])
    return [
        (LEFT + (WIDTH - LEFT - 8.0) * i * step / span_h, _in_words(i * step)) for i in range(int(span_h / step) + 1)
    ]


def _in_words(hours: float) -> str:
    if not hours:
        return "now"
    return f"{hours:.0f} h" if hours < 48.0 else f"{hours / 24.0:.0f} days"


def _said(shown: Sequence[MachinePlan], names: Names) -> str:
    parts = (f"{names[one.machine_id]} {len(one.runs)}" for one in shown)
    return f"Jobs planned on each machine: {', '.join(parts)}."
