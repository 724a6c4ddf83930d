"""The answers of a trial in plain words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from workers.model.trial import BoreTrial, Measure, MeasureKind
from workers.planning.trials.measures import ON_PART
from workers.planning.trials.report import Finding, MeasureReport, PairFigure
from workers.planning.trials.verdict import Answer

Names = Mapping[str, str]
HARDER_LARGER = frozenset({"lean"})  # series whose larger grades are the harder ones
SAID = 12  # sentences on single pairs

METHODS = (
    "Machine and spool are blocks; bores are compared within them. Sizes and ln hours: analysis of variance by least "
    "squares, F for the bore after the blocks, for material x bore after both.",
    "Kept or lost, clogged or not: exact test of a trend over the bores within blocks; material x bore by Zelen's "
    "exact test of equal trends.",
    "Chances are corrected by Holm's method: the effects over all measures that vary, the pairs over the pairs of "
    "their measure, so that each of these families raises a false alarm with 5 %.",
    "A bore holds a use when at least the wanted share of copies is good at 90 % confidence on either side, on the "
    "machines and spools of this trial.",
)


def verdict_sentence(measure: Measure, bore_mm: float, where: str, answer: Answer, more: int | None) -> str:
    if answer is Answer.HOLDS:
        return f"{bore_mm:g} mm{where} holds: {measure.use}."
    if answer is Answer.DOES_NOT:
        return f"{bore_mm:g} mm{where} does not hold: {measure.use}."
    rest = f"about {more} more runs of it would settle it" if more else "no reasonable number of runs will settle it"
    return f"{bore_mm:g} mm{where} is undecided: {measure.use}; {rest}."


def sentences_of(trial: BoreTrial, reports: Sequence[MeasureReport], names: Names) -> tuple[str, ...]:
    if not any(True for _ in trial.measured()):
        return ("No run has a result yet.",)
    return (
        *(verdict.sentence for report in reports for verdict in report.verdicts if not _is_graded(report)),
        *_series(trial, reports, names),
        *_pairs(reports),
        *_interactions(reports),
    )


def where_of(trial: BoreTrial, material_id: str, names: Names) -> str:
    """Names the material where there is more than one."""
    return f" in {names.get(material_id, material_id)}" if len(trial.plan.material_ids) > 1 else ""


def _is_graded(report: MeasureReport) -> bool:
    return report.kind is MeasureKind.KEPT


def _series(trial: BoreTrial, reports: Sequence[MeasureReport], names: Names) -> Iterator[str]:
    """From which grade on every run of a bore kept a series."""
    by_name = {report.measure: report for report in reports}
    for one in dict.fromkeys(m.series for m in trial.plan.measures if m.series):
        easy_first = [by_name[m.name] for m in graded_of(trial.plan.measures, one)]
        for material_id in trial.plan.material_ids:
            for bore in trial.plan.bores_mm:
                shares = [(report, _share(report, bore, material_id)) for report in easy_first]
                yield from _kept(shares, f"{bore:g} mm{where_of(trial, material_id, names)}")


def graded_of(measures: Sequence[Measure], series: str) -> list[Measure]:
    """The grades of one series, the easiest first."""
    rising = sorted((m for m in measures if m.series == series), key=lambda m: m.nominal_mm or 0.0)
    return rising if is_harder_larger(series) else rising[::-1]


def is_harder_larger(series: str) -> bool:
    """Whether its grades are angles of lean, of which the larger are the harder ones."""
    return series.partition(ON_PART)[0] in HARDER_LARGER


def _share(report: MeasureReport, bore_mm: float, material_id: str) -> tuple[int, int]:
    """Kept, and looked at."""
    found = (one for one in report.bores if (one.bore_mm, one.material_id) == (bore_mm, material_id))
    return next(((one.good or 0, one.n) for one in found), (0, 0))


def _kept(shares: Sequence[tuple[MeasureReport, tuple[int, int]]], who: str) -> Iterator[str]:
    looked_at = [(report, kept, n) for report, (kept, n) in shares if n]
    if not looked_at:
        return
    hardest = None
    for report, kept, n in looked_at:
        if kept < n:
            break
        hardest = report
    runs = max(n for _, _, n in looked_at)
    if hardest is None:
        yield f"{who} lost the {looked_at[0][0].use}, the easiest of its series, at least once in {runs} runs."
        return
    first = "" if hardest is looked_at[0][0] else " and every easier one"
    yield f"{who} kept the {hardest.use}{first} in all of its {runs} runs."


def _pairs(reports: Sequence[MeasureReport]) -> Iterator[str]:
    told = [
        _pair(report, pair)
        for report in reports
        for pair in report.pairs
        if pair.material_id is None and not _is_graded(report)
    ]
    yield from told[:SAID]


def _pair(report: MeasureReport, pair: PairFigure) -> str:
    who = f"{pair.other_mm:g} mm against {pair.bore_mm:g} mm, {report.use}"
    if pair.finding is Finding.DIFFERS:
        return f"{who}: differs by {_figure(report, pair)}."
    if pair.finding is Finding.ALIKE:
        return f"{who}: no difference that matters, {_figure(report, pair)}."
    rest = "" if pair.more_runs is None else f"; about {pair.more_runs} more runs of each bore would tell"
    return f"{who}: undecided, {_figure(report, pair)}{rest}."


def _figure(report: MeasureReport, pair: PairFigure) -> str:
    """The difference, and its interval in brackets."""
    size = report.kind is MeasureKind.SIZE
    value, low, high = (_signed(one, size) for one in (pair.difference, pair.low, pair.high))
    unit = "mm" if size else "%"
    return f"{value} {unit} ({low} to {high})"


def _signed(value: float | None, size: bool) -> str:
    if value is None:
        return "unknown"
    text = f"{value:+.3f}" if size else f"{100.0 * value:+.0f}"
    return text.replace("-", "\N{MINUS SIGN}")


def _interactions(reports: Sequence[MeasureReport]) -> Iterator[str]:
    for report in reports:
        chance = report.p_interaction_corrected
        if chance is not None and chance < 0.05:
            yield f"{report.use}: what the bore does depends on the material (corrected chance {chance:.3g})."
