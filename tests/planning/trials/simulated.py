"""Whole trials made up from a known truth: a small invented shop, and what its runs come to."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
from scipy.special import ndtri

from tests import builders as make
from workers.model.fleet import Spool
from workers.model.part import FeatureKind
from workers.model.trial import BoreTrial, Measure, MeasureKind, RunResult, RunSize, TrialPlan, TrialRun, TrialState
from workers.planning.trials.analysis import report_of
from workers.planning.trials.layout import lay_out
from workers.planning.trials.report import TrialReport

NOW = 1_780_000_000.0
BORES = (0.4, 0.5, 0.6)
RIBS = (0.3, 0.4, 0.5, 0.6, 0.8)
PIN = Measure(
    name="pin bore",
    kind=MeasureKind.SIZE,
    use="sliding fit, H11, 8 mm",
    feature=FeatureKind.HOLE,
    nominal_mm=8.0,
    lower_mm=8.0,
    upper_mm=8.09,
)
GRADES = [
    Measure(name=f"rib {mm:g}", kind=MeasureKind.KEPT, use=f"rib of {mm:g} mm", series="rib", nominal_mm=mm)
    for mm in RIBS
]
MEASURES = (
    PIN,
    *GRADES,
    Measure(name="clog", kind=MeasureKind.CLOG, use="runs without a clog"),
    Measure(name="time", kind=MeasureKind.TIME, use="hours of a run"),
)


def normal_quantile(share: float) -> float:
    return float(ndtri(share))


def shop(machines: int = 2):
    """Each machine has all three bores mounted; two spools of each material for each machine."""
    ids = [f"m{i + 1}" for i in range(machines)]
    return make.shop(
        machines=tuple(make.machine(one) for one in ids),
        nozzles=tuple(
            make.nozzle(f"n{round(bore * 100):03d}-{one}", bore, one, slot=i + 1)
            for one in ids
            for i, bore in enumerate(BORES)
        ),
        spools=tuple(
            Spool(id=f"s-{material}-{one}", material_id=material, remaining_g=900.0, machine_id=None)
            for material in ("pla", "pa-cf")
            for one in ids
        ),
    )


def plan(machines: int = 2, materials: int = 2, replicates: int = 3, seed: int = 1, **changes) -> TrialPlan:
    values = {
        "name": "Is 0.5 worth having?",
        "bores_mm": BORES,
        "material_ids": ("pla", "pa-cf")[:materials],
        "machine_ids": tuple(f"m{i + 1}" for i in range(machines)),
        "replicates": replicates,
        "seed": seed,
        "measures": MEASURES,
    }
    return TrialPlan(**(values | changes))


def with_measures(one: TrialPlan, measures) -> TrialPlan:
    return replace(one, measures=measures)


def planned(**options) -> BoreTrial:
    wanted = plan(**options)
    laid = lay_out(shop(len(wanted.machine_ids)), wanted, [make.block(40.0, 30.0, 10.0)], NOW)
    return BoreTrial(
        id="t1",
        state=TrialState.PLANNED,
        version=1,
        plan=wanted,
        runs=laid.runs,
        efficiency=laid.efficiency,
        created_at=NOW,
        updated_at=NOW,
        left_out=laid.left_out,
        notes=laid.notes,
    )


@cache
def _planned() -> BoreTrial:
    return planned(machines=2, materials=2, replicates=3)


def with_results(seed: int, effect_mm: float) -> BoreTrial:
    """A trial whose 0.6 bore closes holes by ``effect_mm`` more and then loses ribs under 0.6 mm."""
    trial = _planned()
    rng = np.random.default_rng(seed)
    shift = rng.normal(0.0, 0.05, 1 + max(run.block for run in trial.runs))
    runs = tuple(replace(run, result=_result(rng, run, float(shift[run.block]), effect_mm)) for run in trial.runs)
    return replace(trial, state=TrialState.RUNNING, runs=runs)


def reported(seed: int, effect_mm: float) -> TrialReport:
    """What the analysis says of such a trial."""
    return report_of(with_results(seed, effect_mm), {"pla": "Plain PLA", "pa-cf": "PA-CF"})


def _result(rng, run: TrialRun, shift: float, effect_mm: float) -> RunResult:
    wide = effect_mm > 0.0 and run.bore_mm == 0.6
    gone = {f"rib {mm:g}" for mm in RIBS if wide and mm < 0.6}
    kept = tuple(f"rib {mm:g}" for mm in RIBS if f"rib {mm:g}" not in gone and rng.random() > 0.02)
    return RunResult(
        at=NOW,
        accepted=True,
        clogs=int(rng.random() < 0.1),
        print_h=run.print_h * math.exp(rng.normal(0.0, 0.05)) if effect_mm else math.exp(rng.normal(0.0, 0.05)),
        sizes=(RunSize(name="pin bore", measured_mm=8.03 + shift - effect_mm * wide + float(rng.normal(0.0, 0.02))),),
        kept=kept,
        lost=tuple(f"rib {mm:g}" for mm in RIBS if f"rib {mm:g}" not in kept),
    )
