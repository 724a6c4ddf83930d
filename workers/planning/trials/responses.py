"""The figures that the results of a trial give for one measure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from workers.learning.arrays import Array
from workers.model.outcome import ScrapReason
from workers.model.trial import BoreTrial, Measure, MeasureKind, RunResult, TrialRun
from workers.planning.trials.exact import Stratum

UNTIMED = (ScrapReason.CLOG, ScrapReason.CAME_LOOSE, ScrapReason.BROKE)  # runs that did not come to their end


@dataclass(frozen=True, slots=True)
class Responses:
    """One value a run: an error in mm, ln hours, or 1 for what is good and 0 for what is not. bore, material: numbers
    within the plan; block: the run's."""

    values: tuple[float, ...]
    block: tuple[int, ...]
    bore: tuple[int, ...]
    material: tuple[int, ...]

    def array(self) -> Array:
        return np.array(self.values)

    def of(self, bore: int, material: int | None = None) -> list[float]:
        """The values of one bore, in one material or all."""
        return [
            value
            for value, b, m in zip(self.values, self.bore, self.material, strict=True)
            if b == bore and material in (None, m)
        ]

    def cells(self) -> list[tuple[int, int]]:
        """Bore and material, wherever there is a value."""
        return sorted(set(zip(self.bore, self.material, strict=True)))

    def strata(self, bores: Sequence[int], material: int | None = None) -> list[Stratum]:
        """Goods and runs of each of these bores, block by block."""
        counts: dict[int, dict[int, tuple[int, int]]] = {}
        for value, block, bore, m in zip(self.values, self.block, self.bore, self.material, strict=True):
            if material in (None, m):
                here = counts.setdefault(block, {})
                good, runs = here.get(bore, (0, 0))
                here[bore] = good + int(value), runs + 1
        return [tuple(here.get(bore, (0, 0)) for bore in bores) for here in counts.values()]


def responses_of(trial: BoreTrial, measure: Measure) -> Responses:
    plan = trial.plan
    rows = list(_rows(trial, measure))
    return Responses(
        values=tuple(value for _, value in rows),
        block=tuple(run.block for run, _ in rows),
        bore=tuple(plan.bores_mm.index(run.bore_mm) for run, _ in rows),
        material=tuple(plan.material_ids.index(run.material_id) for run, _ in rows),
    )


def value_of(measure: Measure, result: RunResult) -> float | None:
    """None: this run says nothing of the measure."""
    if measure.kind is MeasureKind.SIZE:
        found = next((one.measured_mm for one in result.sizes if one.name == measure.name), None)
        return None if found is None else found - (measure.nominal_mm or 0.0)
    if measure.kind is MeasureKind.KEPT:
        return 1.0 if measure.name in result.kept else 0.0 if measure.name in result.lost else None
    if measure.kind is MeasureKind.CLOG:
        return float(result.clogs == 0)
    finished = result.accepted or result.scrap_reason not in UNTIMED
    return math.log(result.print_h) if result.print_h and finished and not result.clogs else None


def _rows(trial: BoreTrial, measure: Measure) -> Iterator[tuple[TrialRun, float]]:
    for run, result in trial.measured():
        value = value_of(measure, result) if measure.is_on(run) else None
        if value is not None:
            yield run, value
