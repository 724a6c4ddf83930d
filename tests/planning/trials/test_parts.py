"""Several parts in one trial: each analysed by itself, as if the others were not there, and all corrected together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests import builders as make
from tests.planning.trials import simulated
from workers.model.trial import BoreTrial, Measure, MeasureKind, RunResult, RunSize, TrialRun, TrialState
from workers.planning.trials.analysis import report_of
from workers.planning.trials.layout import lay_out
from workers.planning.trials.measures import of_parts
from workers.planning.trials.release import run_spec
from workers.planning.trials.responses import responses_of

PARTS = ("p-one", "p-two")
NAMES = {"pla": "Plain PLA", "pa-cf": "PA-CF"}
LEAN = Measure(name="lean 60", kind=MeasureKind.KEPT, series="lean", nominal_mm=60.0)


def trial(parts: tuple[str, ...] = PARTS) -> BoreTrial:
    """The 0.6 bore closes the hole of the second part only."""
    wanted = simulated.plan(part_ids=parts, measures=of_parts((simulated.PIN, simulated.MEASURES[-1]), PARTS))
    laid = lay_out(simulated.shop(), wanted, [make.block(40.0, 30.0, 10.0)] * len(parts), simulated.NOW)
    runs = tuple(replace(run, result=_result(run)) for run in laid.runs)
    return BoreTrial(
        id="t1",
        state=TrialState.RUNNING,
        version=1,
        plan=wanted,
        runs=runs,
        efficiency=laid.efficiency,
        created_at=simulated.NOW,
        updated_at=simulated.NOW,
    )


def _result(run: TrialRun) -> RunResult:
    """The scatter hangs on what is printed where, not on the run's number."""
    key = [run.block, run.replicate, round(100 * run.bore_mm), PARTS.index(run.part_id or "")]
    tight = run.part_id == "p-two" and run.bore_mm == 0.6
    error = 0.045 - 0.15 * tight + float(np.random.default_rng(key).normal(0.0, 0.005))
    name = f"pin bore, part {key[-1] + 1}"
    return RunResult(at=simulated.NOW, accepted=True, print_h=1.0, sizes=(RunSize(name=name, measured_mm=8.0 + error),))


def test_a_measure_that_names_no_part_is_looked_at_on_each() -> None:
    named = replace(simulated.PIN, name="own", part_id="p-two")
    found = of_parts((simulated.PIN, LEAN, named), PARTS)
    assert [(one.name, one.part_id, one.series) for one in found] == [
        ("pin bore, part 1", "p-one", ""),
        ("pin bore, part 2", "p-two", ""),
        ("lean 60, part 1", "p-one", "lean, part 1"),
        ("lean 60, part 2", "p-two", "lean, part 2"),
        ("own", "p-two", ""),
    ]
    assert of_parts((simulated.PIN,), ("p-one",)) == (simulated.PIN,)


def test_the_verdict_is_told_part_by_part() -> None:
    report = report_of(trial(), NAMES)
    answers = {(v.measure, v.bore_mm, v.material_id): v.answer.value for m in report.measures for v in m.verdicts}
    assert answers["pin bore, part 1", 0.6, "pla"] == "holds"
    assert answers["pin bore, part 2", 0.6, "pla"] == "does-not"
    assert answers["pin bore, part 2", 0.5, "pla"] == "holds"
    assert "0.6 mm in Plain PLA does not hold: sliding fit, H11, 8 mm, part 2." in report.sentences


def test_a_part_is_analysed_as_if_it_were_alone_and_corrected_with_the_others() -> None:
    both, one = trial(), trial(("p-one",))
    measure = both.plan.measures[0]
    mine, alone = (responses_of(of, measure) for of in (both, one))
    rows = [sorted(zip(of.block, of.bore, of.material, of.values, strict=True)) for of in (mine, alone)]
    assert rows[0] == rows[1]
    found = {m.measure: m for m in report_of(both, NAMES).measures}
    single = {m.measure: m for m in report_of(one, NAMES).measures}
    first, second = found["pin bore, part 1"], found["pin bore, part 2"]
    assert first.p_bore == pytest.approx(single["pin bore, part 1"].p_bore)
    assert second.p_bore is not None
    assert second.p_bore < 1e-6
    # Holm over both parts: the larger chance stays as it is, the smaller is doubled
    chances = sorted([first.p_bore or 0.0, second.p_bore])
    assert second.p_bore_corrected == pytest.approx(2.0 * chances[0])


def test_a_run_is_handed_in_with_its_own_part_and_its_own_tolerances() -> None:
    made = trial()
    for run in made.runs:
        spec = run_spec(made, run, None)
        assert spec.part_id == run.part_id
        assert [one.name for one in spec.open_tolerances] == [f"pin bore, part {PARTS.index(run.part_id or '') + 1}"]
