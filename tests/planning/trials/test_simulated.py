"""Trials simulated from a known truth: false alarms as often as they may come, the planned power reached."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.planning.trials import simulated
from workers.model.trial import Measure, MeasureKind, RunResult
from workers.planning.trials.analysis import report_of
from workers.planning.trials.anova import analyse
from workers.planning.trials.exact import trend_p
from workers.planning.trials.foretold import power_of_trial
from workers.planning.trials.multiple import holm
from workers.planning.trials.report import Finding
from workers.planning.trials.verdict import Answer, SizeSample, judge_share, judge_size

TRIALS = 800
BORES, BLOCKS, REPLICATES = 3, 4, 3


def within(share: float, nominal: float, trials: int = TRIALS) -> bool:
    """Whether a simulated share lies within three Monte-Carlo standard errors of what it should be."""
    return abs(share - nominal) <= 3.0 * math.sqrt(nominal * (1.0 - nominal) / trials)


def layout():
    block = np.repeat(range(BLOCKS), BORES * REPLICATES).tolist()
    bore = (list(range(BORES)) * REPLICATES) * BLOCKS
    return block, bore, [one % 2 for one in block]


def simulate(rng, effect=(0.0, 0.0, 0.0)):
    """Sizes with differences between machines and materials that have nothing to do with the bore; sd 0.04 mm."""
    block, bore, material = layout()
    shift = rng.normal(0.0, 0.1, BLOCKS)
    y = shift[block] + np.array(effect)[bore] + rng.normal(0.0, 0.04, len(block))
    return analyse(y, block, bore, material)


def test_false_alarms_come_at_five_percent():
    rng = np.random.default_rng(20261)
    found = [simulate(rng) for _ in range(TRIALS)]
    assert within(np.mean([one.row("bore").p < 0.05 for one in found]), 0.05)
    assert within(np.mean([one.row("material x bore").p < 0.05 for one in found]), 0.05)
    any_pair = np.mean([min(holm([d.p for d in one.differences])) < 0.05 for one in found])
    assert any_pair <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / TRIALS)
    single = np.mean([one.differences[0].p < 0.05 for one in found])
    assert within(single, 0.05)


@pytest.mark.parametrize(("power", "name"), [(0.8, "at_80"), (0.9, "at_90")])
def test_the_planned_power_is_reached(power, name):
    """The smallest difference that the plan says it shows is seen as often as it says."""
    trial = simulated.planned(machines=2, materials=2, replicates=3)
    said = power_of_trial(trial.plan, trial.runs)
    [size] = [one for one in said.measures if one.measure == "pin bore"]
    rng = np.random.default_rng(int(1000 * power))
    effect = (0.0, 0.0, getattr(size, name))
    found = [simulate(rng, effect) for _ in range(TRIALS)]
    seen = [d.p < said.alpha for one in found for d in one.differences if (d.first, d.second) == (0, 2)]
    assert said.dof == found[0].dof
    assert within(np.mean(seen), power)
    by_holm = [holm([d.p for d in one.differences])[1] < 0.05 for one in found]
    assert np.mean(by_holm) >= np.mean(seen)


def test_exact_tests_never_raise_more_alarms_than_they_may():
    """Yes-or-no measures whose share differs from block to block, not from bore to bore."""
    rng = np.random.default_rng(7)
    share = np.array([0.3, 0.6, 0.8, 0.95])
    alarms = 0
    for _ in range(600):
        good = rng.binomial(REPLICATES, np.repeat(share[:, None], BORES, axis=1))
        alarms += trend_p([tuple((int(k), REPLICATES) for k in row) for row in good]) <= 0.05
    assert alarms / 600 <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / 600)


def test_all_measures_of_a_trial_together_raise_five_percent_at_most():
    """Reports of whole trials in which no bore does anything: sizes, graded ribs, clogs and hours."""
    trials = 120
    alarms = 0
    for seed in range(trials):
        report = simulated.reported(seed, effect_mm=0.0)
        alarms += any(p is not None and p < 0.05 for p in (one.p_bore_corrected for one in report.measures))
    assert alarms / trials <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / trials)


def test_a_true_difference_is_found_and_said():
    report = simulated.reported(3, effect_mm=0.2)
    size = next(one for one in report.measures if one.kind is MeasureKind.SIZE)
    assert size.p_bore_corrected < 1e-6
    widest = next(one for one in size.pairs if (one.bore_mm, one.other_mm) == (0.4, 0.6))
    assert widest.finding is Finding.DIFFERS
    assert widest.low < -0.2 < widest.high
    rib = next(one for one in report.measures if one.measure == "rib 0.5")
    assert {one.bore_mm: one.answer for one in rib.verdicts if one.material_id == "pla"}[0.6] is Answer.DOES_NOT


def test_a_verdict_on_a_size_is_wrong_no_more_often_than_it_may_be():
    """True share within the limits just under, and just over, the wanted 80 %: "holds" and "does not" by mistake."""
    rng = np.random.default_rng(5)
    n, trials, sd = 8, 500, 0.05
    for share, wrong in ((0.795, Answer.HOLDS), (0.805, Answer.DOES_NOT)):
        shift = 0.2 - sd * float(np.asarray(simulated.normal_quantile(share)))  # one limit matters, at 0.2
        y = rng.normal(shift, sd, (trials, n))
        judged = [
            judge_size(SizeSample(n, float(row.mean()), float(row.std(ddof=1)), n - 1), -9.0, 0.2, 0.8) for row in y
        ]
        assert np.mean([one.answer is wrong for one in judged]) <= 0.1 + 3.0 * math.sqrt(0.09 / trials)


def test_a_share_is_judged_by_its_exact_limits():
    """11 runs without failure show 80 % at 90 % confidence (0.8^11 = 0.0859), 10 do not (0.8^10 = 0.107)."""
    assert judge_share(11, 11, 0.8).answer is Answer.HOLDS
    assert (judge_share(10, 10, 0.8).answer, judge_share(10, 10, 0.8).more_runs) == (Answer.UNDECIDED, 1)
    assert judge_share(2, 8, 0.8).answer is Answer.DOES_NOT


def test_an_expected_spread_of_its_own_changes_what_is_shown():
    trial = simulated.planned(machines=2, materials=1, replicates=3)
    wide = Measure(name="wide", kind=MeasureKind.SIZE, nominal_mm=8.0, spread=0.08)
    said = power_of_trial(simulated.with_measures(trial.plan, (trial.plan.measures[0], wide)), trial.runs)
    assert said.measures[1].at_80 == pytest.approx(2.0 * said.measures[0].at_80)


def test_values_that_are_the_same_differ_in_nothing():
    """Hours of one and the same print: what rounding leaves of them is no difference, and raises no alarm."""
    wanted = simulated.plan(materials=1, measures=(simulated.MEASURES[-1],))
    same = RunResult(at=simulated.NOW, accepted=True, print_h=1.2)
    trial = simulated.planned(materials=1)
    trial = replace(trial, plan=wanted, runs=tuple(replace(run, result=same) for run in trial.runs))
    [report] = report_of(trial, {}).measures
    assert {pair.finding.value for pair in report.pairs} == {"alike"}
    assert all(pair.p_corrected == 1.0 and pair.difference == 0.0 for pair in report.pairs)
