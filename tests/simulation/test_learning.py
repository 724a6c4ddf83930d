"""Learning, shown on shops whose truth is hidden: routings get nearly as good as all-knowing ones, and say how sure.

Everything is seeded. The bars are ours: regret under 5 %, 90 % intervals that hold 85 to 95 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pytest

from tests.simulation.simulator import AllKnowing, Simulator, regret
from workers.learning.backtest import backtest
from workers.learning.check import check
from workers.model.check import ModelCheck
from workers.model.outcome import Outcome
from workers.routing.doubt import doubt

SEEDS = (1, 2, 3, 4)
OUTCOMES = 200
JOBS = 40


@dataclass
class Course:
    """What came of one shop."""

    before: float
    after: float
    outcomes: list[Outcome]
    holds: dict[str, list[bool]] = field(default_factory=lambda: {"fit": [], "clog": [], "time": []})
    said_best: list[float] = field(default_factory=list)
    was_best: list[bool] = field(default_factory=list)


def course(seed: int) -> Course:
    simulator = Simulator(seed)
    specs = [simulator.job() for _ in range(JOBS)]
    before = regret(simulator, specs)
    simulator.run(OUTCOMES)
    found = Course(before, regret(simulator, specs), [change.outcome for change in simulator.changes])
    knowing, router = AllKnowing(simulator), simulator.router()
    for spec in specs:
        seen = router.looked_at(spec)
        assert seen is not None
        compare(found, seen[0], seen[1], knowing.block(spec))
    return found


def compare(found: Course, block, ranking, truth) -> None:
    """Does each interval hold the truth, and is the choice the best of those listed?"""
    sure, n = doubt(block, ranking.places, ranking.count), int(ranking.count[0])
    places = ranking.places[0, :n]
    p, b = np.divmod(places, block.table.shape[1])
    low, high, nodes = sure.low[0, :n], sure.high[0, :n], block.table.time_nodes[p]
    fit = np.exp(truth.ln.fit[0, truth.table.fit_class_of[p, b]])
    clog = np.exp(truth.ln.clog[0, p])
    hours = np.log(truth.seconds[0, p, b] / block.seconds[0, p, b])
    found.holds["fit"] += ((low[:, 1] - 1e-9 <= fit) & (fit <= high[:, 1] + 1e-9)).tolist()
    found.holds["clog"] += ((low[:, 2] <= clog) & (clog <= high[:, 2])).tolist()
    found.holds["time"] += ((nodes[:, 0] <= hours) & (hours <= nodes[:, -1])).tolist()
    found.said_best.append(float(sure.best[0, 0]))
    found.was_best.append(int(np.argmax(truth.utility[0].ravel()[places])) == 0)


@pytest.fixture(scope="module")
def courses() -> list[Course]:
    return [course(seed) for seed in SEEDS]


@pytest.fixture(scope="module")
def as_routed(courses: list[Course]) -> ModelCheck:
    (found,) = check(outcome for one in courses for outcome in one.outcomes)
    return found


def test_after_200_outcomes_the_regret_is_under_5_percent(courses: list[Course]) -> None:
    assert max(one.after for one in courses) < 0.05
    before, after = (sum(getattr(one, when) for one in courses) for when in ("before", "after"))
    assert after < 0.6 * before


def test_the_90_percent_intervals_of_sizes_and_hours_hold_85_to_95(as_routed: ModelCheck) -> None:
    for found in (as_routed.size, as_routed.time):
        assert found.n > 700
        assert found.inside_90 is not None
        assert 0.85 <= found.inside_90 <= 0.95


@pytest.mark.parametrize("score", ["fit", "clog", "time"])
def test_the_90_percent_intervals_of_the_scores_hold_85_to_95(courses: list[Course], score: str) -> None:
    assert 0.85 <= np.mean([held for one in courses for held in one.holds[score]]) <= 0.95


def test_the_choice_is_the_best_about_as_often_as_is_said(courses: list[Course]) -> None:
    said = np.mean([chance for one in courses for chance in one.said_best])
    was = np.mean([best for one in courses for best in one.was_best])
    assert said == pytest.approx(was, abs=3.0 * math.sqrt(0.25 / (len(SEEDS) * JOBS)))


def test_chances_come_true_as_often_as_they_say(as_routed: ModelCheck) -> None:
    """The sum of predicted chances against what came, within three standard deviations of the binomial."""
    for found in (as_routed.fit, as_routed.clog, as_routed.good):
        assert found.predicted is not None
        spread = math.sqrt(found.predicted * (1.0 - found.predicted) / found.n)
        assert found.observed == pytest.approx(found.predicted, abs=3.0 * spread)


def test_fit_chances_tell_good_sizes_from_bad_ones(as_routed: ModelCheck) -> None:
    assert as_routed.fit.brier is not None
    assert as_routed.fit.brier_of_mean is not None
    assert as_routed.fit.brier < as_routed.fit.brier_of_mean


def test_hardly_an_honest_outcome_is_flagged(courses: list[Course]) -> None:
    flagged = sum(bool(outcome.flags) for one in courses for outcome in one.outcomes)
    assert flagged < 0.01 * OUTCOMES * len(SEEDS)


def test_a_replay_says_what_the_routings_said(courses: list[Course]) -> None:
    """No calibration was taken, so foretelling each outcome from the ones before it comes to the routing's figures."""
    (replayed,), (routed,) = backtest(courses[0].outcomes), check(courses[0].outcomes)
    assert replayed.size.error == pytest.approx(routed.size.error, abs=1e-6)
    assert replayed.time.error == pytest.approx(routed.time.error, abs=1e-9)
    assert replayed.clog.brier == pytest.approx(routed.clog.brier, abs=1e-9)


def test_the_same_seed_gives_the_same_course() -> None:
    one, other = Simulator(7), Simulator(7)
    one.run(12)
    other.run(12)
    assert one.shop == other.shop
