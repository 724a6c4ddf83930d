"""Partial pooling: an outcome moves its own pairing most, its neighbours a little, strangers not at all."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.learning.outcomes import HOLE, hole, key, outcome
from workers.learning.evidence import GammaBelief
from workers.learning.intake import sums_of
from workers.learning.pooling import (
    NEIGHBOUR_CM3_MAX,
    SIZE_RATIOS,
    TIME_RATIOS,
    Book,
    clog_belief,
    clog_prior,
    pooled,
    size_moments,
    sound_share,
    time_belief,
)
from workers.model.evidence import merged
from workers.model.outcome import Outcome, ScrapReason
from workers.process.allowance import AXES, KINDS, Measured, learnt_sizes

OWN, NEIGHBOUR, STRANGER = key(), key("m2", "n04b"), key("m1", "n06", bore_um=600)
KEYS = [OWN, NEIGHBOUR, STRANGER]
OWN_SIZE = sums_of(outcome())[1][0]
ROW = KINDS.index(HOLE[0]) * len(AXES) + AXES.index(HOLE[1])


def book(*outcomes: Outcome) -> Book:
    return Book(merged((), (delta for one in outcomes for delta in sums_of(one))))


def nothing_measured(columns: int) -> Measured:
    nan = np.full(columns, np.nan)
    return Measured(nan, nan, nan, np.zeros(columns), np.ones(columns))


def size_shifts(*outcomes: Outcome) -> list[float]:
    learnt = learnt_sizes(nothing_measured(len(KEYS)), book(*outcomes), KEYS)
    return learnt.shift[ROW].tolist()  # type: ignore[no-any-return]


def test_a_measured_size_moves_its_own_pairing_most_and_its_neighbour_a_little() -> None:
    own, neighbour, stranger = size_shifts(outcome(sizes=(hole(0.05),)))
    assert own > neighbour > stranger == 0.0
    assert own == pytest.approx(0.05 / 1.25)  # one observation against a prior worth a quarter of one
    assert neighbour < 0.5 * own


def test_hours_move_their_own_pairing_most_and_its_neighbour_a_little() -> None:
    own, neighbour, stranger = time_belief(book(outcome(print_h=2.6)), KEYS).mean
    assert own > neighbour > stranger == 0.0


def test_a_clog_raises_its_own_pairing_most_and_its_neighbour_a_little() -> None:
    prior = GammaBelief(np.full(3, 0.25), np.full(3, 500.0))
    own, neighbour, stranger = clog_belief(book(outcome(clogs=1)), KEYS, prior).mean()
    assert own > neighbour > stranger == pytest.approx(0.25 / 500.0)


def test_clean_volume_lowers_the_rate() -> None:
    prior = GammaBelief(np.full(3, 0.25), np.full(3, 500.0))
    own, neighbour, stranger = clog_belief(book(outcome(extruded_cm3=400.0)), KEYS, prior).mean()
    assert own < neighbour < stranger


def test_warped_prints_lower_the_share_of_sound_ones() -> None:
    own, neighbour, stranger = sound_share(book(outcome(accepted=False, scrap_reason=ScrapReason.WARPED)), KEYS)
    assert own < neighbour < stranger


def test_a_pairing_s_own_prints_outweigh_any_number_of_neighbours() -> None:
    """Ten of its own at 0, a thousand next door at 0.1 mm: it stays near its own."""
    own = [outcome(i, sizes=(hole(0.0),)) for i in range(10)]
    next_door = [outcome(100 + i, machine_id="m2", nozzle_id="n04b", sizes=(hole(0.1),)) for i in range(1000)]
    shift, *_ = size_shifts(*own, *next_door)
    assert 0.0 < shift < 0.01


def test_many_neighbours_tell_a_new_pairing_what_its_group_is_like() -> None:
    """Twenty machines at 0.1 mm: the next one of the kind is expected close to it, if less surely than the measured."""
    outcomes = [
        outcome(10 * m + i, machine_id=f"x{m}", nozzle_id=f"x{m}", sizes=(hole(0.1),))
        for m in range(20)
        for i in range(5)
    ]
    found = pooled(book(*outcomes), OWN_SIZE, size_moments, SIZE_RATIOS)
    assert found.mean == pytest.approx(0.1, rel=0.2)
    assert found.weight < SIZE_RATIOS.pairing  # never surer than pairings scatter about their group


def test_the_volume_of_neighbours_is_capped() -> None:
    prior = GammaBelief(np.full(3, 0.25), np.full(3, 500.0))
    next_door = outcome(machine_id="m2", nozzle_id="n04b", extruded_cm3=1e6)
    belief = clog_belief(book(next_door), KEYS, prior)
    assert belief.b[0] == pytest.approx(500.0 + NEIGHBOUR_CM3_MAX)


def test_one_clog_does_not_make_a_safe_bore_look_lost() -> None:
    """Unfilled filament, prior 1e-5 clogs a cm^3: one clog in 100 cm^3 raises it, to well under 1 in 1,000 cm^3."""
    after = clog_belief(book(outcome(clogs=1, extruded_cm3=100.0)), [OWN], clog_prior(np.array([1e-5])))
    assert 1e-5 < after.mean().item() < 1e-3


def test_the_order_of_arrival_does_not_matter_to_the_bit() -> None:
    outcomes = [
        outcome(i, machine_id=f"m{i % 4}", nozzle_id=f"n{i % 4}", sizes=(hole(0.01 * i),), print_h=2.0 + 0.07 * i)
        for i in range(12)
    ]
    forward, backward = book(*outcomes), Book()
    for one in reversed(outcomes):
        backward.add(sums_of(one))
    for part in ("mean", "weight", "dof", "variance"):
        one, other = (getattr(time_belief(b, KEYS), part).tobytes() for b in (forward, backward))
        assert one == other
    one, other = (learnt_sizes(nothing_measured(3), b, KEYS).shift.tobytes() for b in (forward, backward))
    assert one == other


def test_a_steady_pairing_is_predicted_more_narrowly_than_a_wild_one() -> None:
    steady = [outcome(i, print_h=2.0 * math.exp(0.01 * (i % 2))) for i in range(8)]
    wild = [outcome(i, print_h=2.0 * math.exp(0.3 * (i % 2))) for i in range(8)]
    assert time_belief(book(*steady), [OWN]).variance < time_belief(book(*wild), [OWN]).variance


def test_with_nothing_learnt_the_prior_stands() -> None:
    belief = time_belief(Book(), [OWN])
    assert belief.mean.item() == 0.0
    assert belief.weight.item() == pytest.approx(TIME_RATIOS.prior)
    assert sound_share(Book(), [OWN]).item() == pytest.approx(0.98)
