"""The lists of a plan over time, today's thinner below them where they are known."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from service.pages.names import Names
from service.pages.plots.plot import cut
from workers.model.dispatch import Listed
from workers.model.plan import MachinePlan, PlanResult

if TYPE_CHECKING:
    from service.pages.plots.sheet import Sheet

WIDTH, LEFT, RIGHT, ROW = 720.0, 124.0, 16.0, 34.0  # px
AXIS_ROOM, GAP = 24.0, 1.0
PLANNED, TODAY = (5.0, 19.0), (22.0, 28.0)  # upper and lower edge of the bars in a row
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
    """Hours from the moment of planning; kind: class of its bar."""

    start_h: float
    end_h: float
    kind: str


@dataclass(frozen=True, slots=True)
class Lane:
    """One machine: the plan above, today thinner below."""

    name: str
    planned: tuple[Span, ...]
    today: tuple[Span, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SchedulePlot:
    words: str
    span_h: float
    lanes: tuple[Lane, ...]
    key: ClassVar[str] = "schedule"
    style: ClassVar[str] = "schedule"

    @property
    def has_today(self) -> bool:
        return any(lane.today for lane in self.lanes)

    @property
    def title(self) -> str:
        return f"The lists over time, as planned{' and, thinner below, as today' if self.has_today else ''}"

    @property
    def size(self) -> tuple[float, float]:
        return WIDTH, ROW * len(self.lanes) + AXIS_ROOM

    def draw(self, sheet: Sheet) -> None:
        floor = ROW * len(self.lanes)
        field = sheet.field((LEFT, 0.0, WIDTH - RIGHT, floor), (0.0, self.span_h), (0.0, floor))
        ticks = list(_ticks(self.span_h))
        field.spans("far", [((at, 0.0), (at, floor + 4.0)) for at, _ in ticks])
        for at, words in ticks:
            field.words("tick", (at, floor + 18.0), words, "middle" if at else "start")
        for kind, bars in self._bars().items():
            field.areas(kind, bars)
        for i, lane in enumerate(self.lanes):
            sheet.words("row-label", (0.0, ROW * i + 18.0), cut(lane.name, LEFT - 6.0, 12.0))

    def _bars(self) -> dict[str, list[tuple[tuple[float, float], tuple[float, float]]]]:
        """Corners by kind, with a gap between one and the next."""
        gap = GAP * self.span_h / (WIDTH - LEFT - RIGHT)
        bars: dict[str, list[tuple[tuple[float, float], tuple[float, float]]]] = {}
        for i, lane in enumerate(self.lanes):
            for spans, (top, bottom) in ((lane.planned, PLANNED), (lane.today, TODAY)):
                for one in spans:
                    end = max(one.end_h - gap, one.start_h + gap)
                    bars.setdefault(one.kind, []).append(((one.start_h, ROW * i + top), (end, ROW * i + bottom)))
        return bars


def schedule_plot(result: PlanResult, todays: Mapping[str, Today], names: Names) -> SchedulePlot | None:
    """None where nothing is planned."""
    shown = [one for one in result.machines if one.runs or _spans(todays, one)]
    ends = [run.end_at for one in shown for run in one.runs]
    ends += [end for one in shown for _, end, _ in _spans(todays, one)]
    if not ends or max(ends) <= result.planned_at:
        return None
    return SchedulePlot(
        words=_said(shown, names),
        span_h=(max(ends) - result.planned_at) / 3600.0,
        lanes=tuple(_lane(one, _spans(todays, one), result.planned_at, names) for one in shown),
    )


def _spans(todays: Mapping[str, Today], one: MachinePlan) -> tuple[tuple[float, float, bool], ...]:
    """Today's, to the minute: they move on with the clock, and what has not moved is not drawn anew."""
    found = todays[one.machine_id].spans if one.machine_id in todays else ()
    return tuple((60.0 * round(start / 60.0), 60.0 * round(end / 60.0), late) for start, end, late in found)


def _lane(one: MachinePlan, today: Sequence[tuple[float, float, bool]], begin: float, names: Names) -> Lane:
    def span(start: float, end: float, kind: str) -> Span:
        return Span(max(start - begin, 0.0) / 3600.0, max(end - begin, 0.0) / 3600.0, kind)

    planned = []
    for run in one.runs:
        if run.setup_h:
            planned.append(span(run.start_at - 3600.0 * run.setup_h, run.start_at, "run-setup"))
        late = run.due_at is not None and run.end_at > run.due_at
        planned.append(span(run.start_at, run.end_at, "run-late" if late else "run-moved" if run.moved else "run"))
    before = tuple(span(start, end, "run-late" if late else "run-held") for start, end, late in today)
    return Lane(names[one.machine_id], tuple(planned), before)


def _ticks(span_h: float) -> Iterator[tuple[float, str]]:
    step = next((one for one in STEPS_H if span_h / one <= MOST_TICKS), STEPS_H[-1])
    for i in range(int(span_h / step) + 1):
        yield i * step, _in_words(i * step)


def _in_words(hours: float) -> str:
    if not hours:
        return "now"
    return f"{hours:.0f} h" if hours < 48.0 else f"{hours / 24.0:.0f} days"


def _said(shown: Sequence[MachinePlan], names: Names) -> str:
    parts = (f"{names[one.machine_id]} {len(one.runs)}" for one in shown)
    told = f"Jobs planned on each machine: {', '.join(parts)}."
    return f"{told} Dark: comes from elsewhere. Outlined: ends after its due date. Brown: setting up."
