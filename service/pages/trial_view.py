"""A bore trial's report as a page shows it: figures as text, and what is drawn. Pure; no HTTP, no Redis."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from service.pages.plots.means import Mean, MeansPlot
from service.pages.plots.plot import isolated
from service.pages.wording import number, signed
from workers.model.shop import Shop
from workers.model.trial import BoreTrial, Measure, MeasureKind
from workers.planning.trials.foretold import Estimate, Power, Shows, estimate_of, power_of_trial
from workers.planning.trials.report import BoreFigure, MeasureReport, PairFigure, TrialReport
from workers.planning.trials.sentences import graded_of, is_harder_larger


@dataclass(frozen=True, slots=True)
class Share:
    """Kept of looked at; ``all``, ``some``, ``none`` or ``unseen``."""

    kept: int
    n: int

    @property
    def word(self) -> str:
        if self.n == 0:
            return "unseen"
        return "all" if self.kept == self.n else "none" if self.kept == 0 else "some"


@dataclass(frozen=True, slots=True)
class SeriesTable:
    """One series of graded features: its grades, the easiest first, and a row of shares for each bore."""

    name: str
    grades: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Share, ...]], ...]


@dataclass(frozen=True, slots=True)
class TrialView:
    trial: BoreTrial
    report: TrialReport
    estimate: Estimate
    power: Power
    plots: tuple[MeansPlot, ...]
    series: tuple[SeriesTable, ...]
    figured: tuple[MeasureReport, ...]  # sizes, clogs and hours: what is told one by one
    names: Mapping[str, str]

    def part(self, part_id: str | None) -> str:
        """By its number in the trial."""
        parts = self.trial.plan.part_ids
        return f"part {parts.index(part_id) + 1}" if part_id in parts else "gauge piece"

    def name(self, thing_id: str | None) -> str:
        return self.names.get(thing_id or "", thing_id or "all")


def trial_view(trial: BoreTrial, report: TrialReport, shop: Shop) -> TrialView:
    names: dict[str, str] = {one.id: one.name for one in shop.machines}
    names |= {one.id: one.name for one in shop.nozzles} | {one.id: one.name for one in shop.materials}
    measures = {one.name: one for one in trial.plan.measures}
    shown = [one for one in report.measures if one.n and one.kind in (MeasureKind.SIZE, MeasureKind.TIME)]
    return TrialView(
        trial=trial,
        report=report,
        estimate=estimate_of(trial.runs),
        power=power_of_trial(trial.plan, trial.runs),
        plots=tuple(_plot(i, one, measures[one.measure], trial, names) for i, one in enumerate(shown)),
        series=tuple(_series(trial, report, names)),
        figured=tuple(one for one in report.measures if one.kind is not MeasureKind.KEPT),
        names=names,
    )


def figure_text(report: MeasureReport, value: float | None) -> str:
    if value is None:
        return "–"
    if report.kind is MeasureKind.SIZE:
        return f"{signed(value)} mm"
    return f"{number(value, 2)} h" if report.kind is MeasureKind.TIME else f"{number(100.0 * value, 0)} %"


def pair_text(report: MeasureReport, pair: PairFigure) -> str:
    """The difference with its interval."""
    values = (pair.difference, pair.low, pair.high)
    size = report.kind is MeasureKind.SIZE
    said = ["–" if one is None else signed(one) if size else signed(100.0 * one, 0) for one in values]
    unit = "mm" if size else "%"
    return f"{said[0]} {unit} ({said[1]} to {said[2]})"


def chance_text(p: float | None) -> str:
    if p is None:
        return "–"
    return "under 0.001" if p < 0.001 else number(p, 3)


def shows_text(shows: Shows, value: float | None) -> str:
    if value is None:
        return "nothing"
    return f"{number(value, 3)} mm" if shows.unit == "mm" else f"{number(100.0 * value, 0)} %"


def _plot(index: int, report: MeasureReport, measure: Measure, trial: BoreTrial, names: Mapping[str, str]) -> MeansPlot:
    is_size = report.kind is MeasureKind.SIZE
    what = "Mean error" if is_size else "Hours of a run"
    return MeansPlot(
        key=f"plot-{index}",
        title=f"{report.use}: {what.lower()} with its 95 % interval",
        words=_description(what, report, trial, names),
        unit="mm measured - mm drawn" if is_size else "hours",
        means=tuple(
            Mean(
                label=_who(one, trial, names),
                figure=figure_text(report, one.value),
                value=one.value,
                low=one.low,
                high=one.high,
            )
            for one in report.bores
        ),
        limits=_limits(measure) if is_size else None,
        is_signed=is_size,
    )


def _limits(measure: Measure) -> tuple[float, float] | None:
    if measure.lower_mm is None or measure.upper_mm is None or measure.nominal_mm is None:
        return None
    return measure.lower_mm - measure.nominal_mm, measure.upper_mm - measure.nominal_mm


def _who(one: BoreFigure, trial: BoreTrial, names: Mapping[str, str]) -> str:
    where = f", {isolated(names.get(one.material_id, one.material_id))}" if len(trial.plan.material_ids) > 1 else ""
    return f"{number(one.bore_mm)} mm{where}"


def _description(what: str, report: MeasureReport, trial: BoreTrial, names: Mapping[str, str]) -> str:
    told = (
        f"{_who(one, trial, names)}: {figure_text(report, one.value)}"
        + ("" if one.low is None else f", {figure_text(report, one.low)} to {figure_text(report, one.high)}")
        for one in report.bores
    )
    return f"{what} by bore. {'; '.join(told)}."


def _series(trial: BoreTrial, report: TrialReport, names: Mapping[str, str]) -> Iterator[SeriesTable]:
    by_name = {one.measure: one for one in report.measures}
    for series in dict.fromkeys(one.series for one in trial.plan.measures if one.series):
        easy_first = graded_of(trial.plan.measures, series)
        rows = []
        for material_id in trial.plan.material_ids:
            for bore in trial.plan.bores_mm:
                who = BoreFigure(bore_mm=bore, material_id=material_id, n=0, value=0.0, low=None, high=None)
                shares = tuple(_share(by_name[m.name], bore, material_id) for m in easy_first)
                rows.append((_who(who, trial, names), shares))
        if not any(share.n for _, shares in rows for share in shares):
            continue
        unit = "°" if is_harder_larger(series) else " mm"
        grades = tuple(number(one.nominal_mm or 0.0) + unit for one in easy_first)
        yield SeriesTable(series, grades, tuple(rows))


def _share(report: MeasureReport, bore_mm: float, material_id: str) -> Share:
    for one in report.bores:
        if (one.bore_mm, one.material_id) == (bore_mm, material_id):
            return Share(one.good or 0, one.n)
    return Share(0, 0)
