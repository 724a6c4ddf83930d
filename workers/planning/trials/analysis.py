"""From the results of a trial to its report: each measure analysed, then all chances corrected together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from workers.model.trial import BoreTrial, Measure, MeasureKind
from workers.planning.trials.anova import Anova, Difference, analyse, half_width
from workers.planning.trials.exact import homogeneity_p, trend_p
from workers.planning.trials.measures import is_binary, scale_of
from workers.planning.trials.multiple import holm
from workers.planning.trials.power import ALPHA, POWERS, runs_needed
from workers.planning.trials.report import (
    BoreFigure,
    Finding,
    MeasureReport,
    PairFigure,
    SourceRow,
    TrialReport,
    UseVerdict,
)
from workers.planning.trials.responses import Responses, responses_of
from workers.planning.trials.sentences import METHODS, Names, sentences_of, verdict_sentence, where_of
from workers.planning.trials.shares import difference_limits, share_limits
from workers.planning.trials.verdict import MOST, Judged, SizeSample, judge_share, judge_size

UNITS = {MeasureKind.SIZE: "mm", MeasureKind.TIME: "h", MeasureKind.KEPT: "share", MeasureKind.CLOG: "share"}


def report_of(trial: BoreTrial, names: Names) -> TrialReport:
    """``names``: of the materials, by id."""
    parts = [_Measured(trial, measure, responses_of(trial, measure), names) for measure in trial.plan.measures]
    reports = _corrected([_binary(part) if is_binary(part.measure) else _continuous(part) for part in parts])
    return TrialReport(
        trial_id=trial.id,
        version=trial.version,
        runs=len(trial.runs),
        results=sum(1 for _ in trial.measured()),
        sentences=sentences_of(trial, reports, names),
        measures=tuple(reports),
        methods=METHODS,
    )


@dataclass(frozen=True, slots=True)
class _Measured:
    trial: BoreTrial
    measure: Measure
    data: Responses
    names: Names

    @property
    def bores(self) -> tuple[float, ...]:
        return self.trial.plan.bores_mm

    def material_id(self, number: int) -> str:
        return self.trial.plan.material_ids[number]

    def report(self, **more: object) -> MeasureReport:
        return MeasureReport(
            measure=self.measure.name,
            kind=self.measure.kind,
            use=self.measure.use or self.measure.name,
            unit=UNITS[self.measure.kind],
            n=len(self.data.values),
            **more,  # type: ignore[arg-type]
        )


def _continuous(part: _Measured) -> MeasureReport:
    data = part.data
    found = analyse(data.array(), data.block, data.bore, data.material) if len(set(data.bore)) > 1 else None
    figures = tuple(_mean(part, bore, material, found) for bore, material in data.cells())
    if found is None:
        return part.report(bores=figures, pairs=(), verdicts=_size_verdicts(part))
    bore, crossed = found.row("bore"), found.row("material x bore")
    return part.report(
        bores=figures,
        pairs=(*_pairs(part, found, found.differences), *_pairs(part, found, found.by_material)),
        verdicts=_size_verdicts(part),
        table=tuple(
            SourceRow(source=r.source, squares=r.squares, dof=r.dof, mean_square=r.mean_square, f=r.f, p=r.p)
            for r in found.rows
        ),
        sd=found.sd,
        dof=found.dof,
        p_bore=bore.p if bore else None,
        p_interaction=crossed.p if crossed else None,
    )


def _mean(part: _Measured, bore: int, material: int, found: Anova | None) -> BoreFigure:
    values = part.data.of(bore, material)
    mean, low, high = sum(values) / len(values), None, None
    if found is not None:
        half = half_width(found.sd / math.sqrt(len(values)), found.dof, ALPHA)
        low, high = mean - half, mean + half
    shown = [None if one is None else _shown(part.measure, one) for one in (low, high)]
    return BoreFigure(
        bore_mm=part.bores[bore],
        material_id=part.material_id(material),
        n=len(values),
        value=_shown(part.measure, mean),
        low=shown[0],
        high=shown[1],
    )


def _shown(measure: Measure, value: float) -> float:
    return math.exp(value) if measure.kind is MeasureKind.TIME else value


def _pairs(part: _Measured, found: Anova, differences: Sequence[Difference]) -> list[PairFigure]:
    alpha = ALPHA / max(1, len(differences))
    corrected = holm([one.p for one in differences])
    return [_pair(part, found, one, p, alpha) for one, p in zip(differences, corrected, strict=True)]


def _pair(part: _Measured, found: Anova, one: Difference, p_corrected: float, alpha: float) -> PairFigure:
    half = half_width(one.error, found.dof, alpha)
    low, high = one.value - half, one.value + half
    matters = scale_of(part.measure).matters
    finding = Finding.UNDECIDED
    if p_corrected < ALPHA:
        finding = Finding.DIFFERS
    elif max(abs(low), abs(high)) < matters:
        finding = Finding.ALIKE
    ratio = part.measure.kind is MeasureKind.TIME
    return PairFigure(
        bore_mm=part.bores[one.first],
        other_mm=part.bores[one.second],
        material_id=None if one.material is None else part.material_id(one.material),
        difference=math.expm1(one.value) if ratio else one.value,
        low=math.expm1(low) if ratio else low,
        high=math.expm1(high) if ratio else high,
        p=one.p,
        p_corrected=p_corrected,
        finding=finding,
        more_runs=_more_runs(part, found, one, matters, alpha) if finding is Finding.UNDECIDED else None,
    )


def _more_runs(part: _Measured, found: Anova, one: Difference, matters: float, alpha: float) -> int | None:
    """Runs of each bore beyond the present ones; None where they would be too many."""
    data = part.data
    now = min(len(data.of(bore, one.material)) for bore in (one.first, one.second))
    blocks, bores = len(set(data.block)), len(set(data.bore))
    needed = runs_needed(found.sd, matters, alpha, POWERS[0], blocks, bores, MOST)
    return None if needed is None else max(1, needed - now)


def _size_verdicts(part: _Measured) -> tuple[UseVerdict, ...]:
    measure, data = part.measure, part.data
    if measure.kind is not MeasureKind.SIZE or measure.lower_mm is None or measure.upper_mm is None:
        return ()
    cells, nominal = data.cells(), measure.nominal_mm or 0.0
    groups = [data.of(bore, material) for bore, material in cells]
    dof = sum(map(len, groups)) - len(groups)
    sd = math.sqrt(sum(_squares(group) for group in groups) / dof) if dof > 0 else 0.0
    found = []
    for (bore, material), group in zip(cells, groups, strict=True):
        sample = SizeSample(len(group), sum(group) / len(group), sd, dof)
        limits = (measure.lower_mm - nominal, measure.upper_mm - nominal)
        judged = judge_size(sample, *limits, part.trial.plan.wanted_share)
        found.append(_verdict(part, bore, material, len(group), judged))
    return tuple(found)


def _squares(values: Sequence[float]) -> float:
    mean = sum(values) / len(values)
    return sum((value - mean) ** 2 for value in values)


def _verdict(part: _Measured, bore: int, material: int, n: int, judged: Judged) -> UseVerdict:
    material_id, bore_mm = part.material_id(material), part.bores[bore]
    where = where_of(part.trial, material_id, part.names)
    return UseVerdict(
        measure=part.measure.name,
        use=part.measure.use or part.measure.name,
        bore_mm=bore_mm,
        material_id=material_id,
        n=n,
        answer=judged.answer,
        more_runs=judged.more_runs,
        sentence=verdict_sentence(part.measure, bore_mm, where, judged.answer, judged.more_runs),
    )


def _binary(part: _Measured) -> MeasureReport:
    data = part.data
    bores = sorted(set(data.bore))
    figures = tuple(_share(part, bore, material) for bore, material in data.cells())
    varies = len(set(data.values)) > 1 and len(bores) > 1
    materials = sorted(set(data.material))
    return part.report(
        bores=figures,
        pairs=tuple(_share_pairs(part, bores, None)) if varies else (),
        verdicts=tuple(_share_verdict(part, figure) for figure in figures),
        p_bore=trend_p(data.strata(bores)) if varies else None,
        p_interaction=_trends_differ(data, bores, materials) if varies and len(materials) > 1 else None,
    )


def _share(part: _Measured, bore: int, material: int) -> BoreFigure:
    values = part.data.of(bore, material)
    good = int(sum(values))
    low, high = share_limits(good, len(values), 1.0 - ALPHA)
    return BoreFigure(
        bore_mm=part.bores[bore],
        material_id=part.material_id(material),
        n=len(values),
        value=good / len(values),
        low=low,
        high=high,
        good=good,
    )


def _share_pairs(part: _Measured, bores: Sequence[int], material: int | None) -> list[PairFigure]:
    pairs = list(combinations(bores, 2))
    chances = [trend_p(part.data.strata(pair, material)) for pair in pairs]
    alpha = ALPHA / len(pairs)
    found = []
    for (one, other), p, corrected in zip(pairs, chances, holm(chances), strict=True):
        first, second = part.data.of(one, material), part.data.of(other, material)
        counts = (int(sum(second)), len(second), int(sum(first)), len(first))
        low, high = difference_limits(*counts, alpha)
        found.append(
            PairFigure(
                bore_mm=part.bores[one],
                other_mm=part.bores[other],
                material_id=None if material is None else part.material_id(material),
                difference=counts[0] / counts[1] - counts[2] / counts[3],
                low=low,
                high=high,
                p=p,
                p_corrected=corrected,
                finding=Finding.DIFFERS if corrected < ALPHA else Finding.UNDECIDED,
            )
        )
    return found


def _share_verdict(part: _Measured, figure: BoreFigure) -> UseVerdict:
    judged = judge_share(figure.good or 0, figure.n, part.trial.plan.wanted_share)
    bore = part.bores.index(figure.bore_mm)
    material = part.trial.plan.material_ids.index(figure.material_id)
    return _verdict(part, bore, material, figure.n, judged)


def _trends_differ(data: Responses, bores: Sequence[int], materials: Sequence[int]) -> float:
    """Each material's trend against that of the others, corrected."""
    chances = []
    for material in materials if len(materials) > 2 else materials[:1]:
        rest = [stratum for other in materials if other != material for stratum in data.strata(bores, other)]
        chances.append(homogeneity_p(data.strata(bores, material), rest))
    return min(holm(chances))


def _corrected(reports: Sequence[MeasureReport]) -> list[MeasureReport]:
    """Holm over the measures that vary; one that cannot vary can raise no alarm (Tarone 1990, Biometrics 46)."""
    result = list(reports)
    for name in ("p_bore", "p_interaction"):
        at = [i for i, one in enumerate(result) if getattr(one, name) is not None]
        for i, p in zip(at, holm([getattr(result[i], name) for i in at]), strict=True):
            result[i] = replace(result[i], **{f"{name}_corrected": p})  # type: ignore[arg-type]
    return result
