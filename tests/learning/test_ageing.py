"""A calibration counts for less as time passes, the tip wears, or something is changed."""

from __future__ import annotations

import pytest

from workers.learning.ageing import CHANGED, DAY_S, HALF_LIFE_D, HALF_WEAR_SHARE, hour_of, standing

MEASURED_AT = 1_780_000_000.0


def test_a_fresh_calibration_counts_in_full() -> None:
    found = standing(MEASURED_AT, MEASURED_AT)
    assert (found.weight, found.causes, found.stale) == (1.0, (), False)


def test_half_of_it_is_left_after_the_half_life() -> None:
    assert standing(MEASURED_AT, MEASURED_AT + HALF_LIFE_D * DAY_S).weight == pytest.approx(0.5)
    old = standing(MEASURED_AT, MEASURED_AT + 2 * HALF_LIFE_D * DAY_S)
    assert old.weight == pytest.approx(0.25)
    assert old.stale
    assert old.causes == ("it is 360 days old",)


def test_wear_and_changes_count_even_where_no_time_is_told() -> None:
    worn = standing(MEASURED_AT, None, worn_since=HALF_WEAR_SHARE)
    assert worn.weight == pytest.approx(0.5)
    changed = standing(MEASURED_AT, None, hotend_changed_at=MEASURED_AT + 1, batch_changed_at=MEASURED_AT - 1)
    assert changed.weight == pytest.approx(CHANGED)
    assert changed.causes == ("the hotend was changed since",)
    assert changed.age_d is None


def test_a_calibration_from_the_future_is_fresh() -> None:
    assert standing(MEASURED_AT, MEASURED_AT - 5 * DAY_S).weight == 1.0


def test_ages_are_taken_at_the_full_hour() -> None:
    assert hour_of(7_205.3) == hour_of(7_200.0) == 7_200.0
    assert hour_of(None) is None
