"""Predicted against observed, and the replay of outcomes in the order of time."""

from __future__ import annotations

import math
import random

import pytest

from tests.learning.outcomes import expected, hole, outcome
from workers.learning.backtest import backtest, foretold
from workers.learning.check import chance_check, check, spread_check
from workers.learning.intake import sums_of
from workers.learning.pooling import Book
from workers.model.outcome import OutcomeState


def test_bins_set_the_predicted_beside_the_observed() -> None:
    found = chance_check([(0.85, True)] * 3 + [(0.85, False), (0.002, False)])
    assert [(b.lower, b.n, b.observed) for b in found.bins] == [(0.0, 1, 0.0), (0.8, 4, 0.75)]
    assert found.bins[1].predicted == pytest.approx(0.85)


def test_a_certain_prediction_lies_in_the_last_bin() -> None:
    (last,) = chance_check([(1.0, True)]).bins
    assert (last.lower, last.upper) == (0.99, 1.0)


def test_nothing_predicted_gives_an_empty_check() -> None:
    assert chance_check([]).brier is None
    assert spread_check([]).inside_90 is None
    assert check([outcome(expected=None)]) == ()


def test_each_model_version_is_checked_apart() -> None:
    outcomes = [outcome(1), outcome(2, expected=expected(model_version="1"))]
    assert [one.model_version for one in check(outcomes)] == ["1", "2"]


def test_a_copy_that_came_loose_says_nothing_of_clogs() -> None:
    (found,) = check([outcome(1), outcome(2, accepted=False, scrap_reason="came-loose", extruded_cm3=3.0)])
    assert found.clog.n == 1
    assert found.good.n == 2


def test_a_replay_foretells_from_what_came_before_alone() -> None:
    first, second = outcome(1, sizes=(hole(0.05),)), outcome(2, sizes=(hole(0.05),))
    told = foretold(Book(), first)
    assert told.sizes[0].expected_mean_mm == pytest.approx(5.21)
    assert told.expected is not None
    assert told.expected.print_h == pytest.approx(2.0)
    book = Book()
    book.add(sums_of(first))
    assert foretold(book, second).sizes[0].expected_mean_mm == pytest.approx(5.25)


def test_a_replay_of_a_biased_machine_gets_better() -> None:
    """Always 0.04 mm over and 1.3 times as slow: the mean error of the replay is far below the priors' own."""
    source = random.Random(4)
    outcomes = [
        outcome(i, sizes=(hole(0.04 + source.gauss(0, 0.01)),), print_h=2.6 * math.exp(source.gauss(0, 0.04)))
        for i in range(40)
    ]
    (as_routed,), (replayed,) = check(outcomes), backtest(reversed(outcomes))
    assert as_routed.size.error == pytest.approx(0.04, abs=0.005)
    assert replayed.size.error is not None
    assert abs(replayed.size.error) < 0.004
    assert replayed.time.error is not None
    assert abs(replayed.time.error) < 0.03
    assert replayed.fit.brier is not None


def test_a_replay_passes_over_what_was_not_learnt() -> None:
    withdrawn = outcome(2, state=OutcomeState.WITHDRAWN)
    flagged = outcome(3, state=OutcomeState.FLAGGED)
    (found,) = backtest([outcome(1), withdrawn, flagged, outcome(4, state=OutcomeState.CONFIRMED)])
    assert found.outcomes == 2
