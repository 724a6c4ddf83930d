"""What a machine did with its hours, worked out by hand beside each check."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.builders import machine
from workers.model.dispatch import Claim, ClaimState
from workers.model.record import HistoryEntry
from workers.planning.intervals import clipped, joined, length, without
from workers.planning.utilisation import Printed, clogs_per_litre, figures_of, scrap_share

HOUR = 3600.0
DAY = (0.0, 24 * HOUR)
ALDER = machine("alder", nozzle_change_s=900.0, material_change_s=300.0)
CREATED = HistoryEntry(at=-HOUR, kind="machine.created", data={"state": "up"})


def line(at_h: float, kind: str, **data: Any) -> HistoryEntry:
    return HistoryEntry(at=at_h * HOUR, kind=kind, data=data)


def down(at_h: float) -> HistoryEntry:
    return line(at_h, "machine.down", state="down")


def up(at_h: float) -> HistoryEntry:
    return line(at_h, "machine.up", state="up")


def claim(
    from_h: float, to_h: float | None, state: ClaimState = ClaimState.FINISHED, expires_h: float = 1e6, **more: Any
) -> Claim:
    return Claim(
        id=f"c{from_h}",
        state=state,
        job_id="j",
        copy=1,
        machine_id="alder",
        nozzle_id="n",
        material_id="pla",
        claimant="x",
        lease_s=300.0,
        taken_at=from_h * HOUR,
        expires_at=expires_h * HOUR,
        version=1,
        ended_at=None if to_h is None else to_h * HOUR,
        **more,
    )


def hours(
    *history: HistoryEntry, claims: tuple[Claim, ...] = (), now_h: float = 24.0
) -> tuple[float, float, float, float]:
    """Printing, setup, down and idle hours of the day."""
    found = figures_of(ALDER, DAY, now_h * HOUR, (CREATED, *history), claims, Printed())
    return found.printing_h, found.setup_h, found.down_h, found.idle_h


def test_a_day_with_everything_in_it() -> None:
    """A nozzle (0.25 h) and a spool (1/12 h) changed at 8:00, printing 8-12 and 13-15, down 18-20; 24 h in all."""
    found = hours(
        line(8, "nozzle.mounted"),
        line(8, "spool.loaded"),
        down(18),
        up(20),
        claims=(claim(8, 12), claim(13, 15)),
    )
    assert found == pytest.approx((6.0, 1 / 3, 2.0, 24 - 6 - 1 / 3 - 2))


def test_a_copy_that_runs_over_the_ends_of_the_window_counts_inside_it() -> None:
    assert hours(claims=(claim(-3, 2), claim(22, None)), now_h=30) == pytest.approx((4.0, 0, 0, 20.0))


def test_what_is_still_to_come_does_not_count() -> None:
    """Now is 10:00: the window has 10 h so far, 4 of them printing."""
    assert hours(claims=(claim(6, None),), now_h=10) == pytest.approx((4.0, 0, 0, 6.0))


def test_a_machine_that_came_at_noon_has_twelve_hours() -> None:
    born = HistoryEntry(at=12 * HOUR, kind="machine.created", data={"state": "up"})
    found = figures_of(ALDER, DAY, DAY[1], (born,), (claim(15, 18),), Printed())
    assert (found.hours, found.printing_h, found.utilisation) == pytest.approx((12.0, 3.0, 0.25))


def test_down_while_a_claim_is_held_is_down() -> None:
    assert hours(down(10), up(11), claims=(claim(8, 12),)) == pytest.approx((3.0, 0, 1.0, 20.0))


def test_a_lapsed_claim_counts_until_its_lease_ended_and_a_late_finish_until_it_came() -> None:
    lapsed = claim(1, 9, ClaimState.LAPSED, expires_h=2)
    assert hours(claims=(lapsed,)) == pytest.approx((1.0, 0, 0, 23.0))
    late = claim(1, 5, ClaimState.FINISHED, expires_h=2, late=True)
    assert hours(claims=(late,)) == pytest.approx((4.0, 0, 0, 20.0))


def test_two_claims_over_one_another_count_once() -> None:
    late = claim(1, 5, late=True)
    assert hours(claims=(late, claim(3, 6))) == pytest.approx((5.0, 0, 0, 19.0))


def test_a_change_does_not_reach_back_into_the_copy_before() -> None:
    """Finished 7:57, loaded 8:00: 3 minutes of setup, not the 5 that a change takes."""
    found = hours(line(8, "spool.loaded"), claims=(claim(6, 7.95),))
    assert found == pytest.approx((1.95, 0.05, 0.0, 22.0))


def test_a_spool_loaded_after_the_claim_was_taken_is_setup_not_printing() -> None:
    found = hours(line(8.1, "spool.loaded"), claims=(claim(8, 10),))
    assert found == pytest.approx((2.0 - 1 / 12, 1 / 12, 0.0, 22.0))


def test_changes_are_counted_in_the_window_only() -> None:
    history = (CREATED, line(-0.5, "nozzle.mounted"), line(3, "nozzle.mounted"), line(4, "spool.loaded"))
    found = figures_of(ALDER, DAY, DAY[1], history, (claim(-2, -1), claim(5, 6)), Printed())
    assert (found.nozzle_changes, found.material_changes, found.claims) == (1, 1, 1)


moments = st.integers(-30, 60)
stretches = st.lists(st.tuples(moments, moments), max_size=8)


@settings(max_examples=200, deadline=None)
@given(stretches, st.lists(st.tuples(moments, st.sampled_from([down, up])), max_size=6), st.lists(moments, max_size=4))
def test_the_four_kinds_of_hours_always_add_up(
    held: list[tuple[int, int]], states: list[tuple[int, Any]], mounted: list[int]
) -> None:
    lines = [make(at) for at, make in states] + [line(at, "nozzle.mounted") for at in mounted]
    claims = tuple(claim(min(pair), max(pair)) for pair in sorted(held))
    found = hours(*sorted(lines, key=lambda one: one.at), claims=claims)
    assert sum(found) == pytest.approx(24.0)
    assert min(found) >= 0.0


@settings(max_examples=200, deadline=None)
@given(stretches, stretches)
def test_stretches_agree_with_counting_hour_by_hour(a: list[tuple[int, int]], b: list[tuple[int, int]]) -> None:
    def whole(found: list[tuple[int, int]]) -> set[int]:
        return {hour for begin, end in found for hour in range(begin, end)}

    assert length(joined(a)) == len(whole(a))
    assert length(without(a, joined(b))) == len(whole(a) - whole(b))
    assert length(clipped(a, (0, 24))) == len(whole(a) & set(range(24)))


def test_a_scrap_share_comes_with_the_jeffreys_interval() -> None:
    """2 of 20: the 5th and 95th percentile of Beta(2.5, 18.5), by numerical integration of the density."""
    share, low, high = scrap_share(Printed(accepted=18, scrapped=2))
    assert share == pytest.approx(0.1)
    assert (low, high) == pytest.approx((_beta_quantile(0.05), _beta_quantile(0.95)), abs=1e-4)
    assert scrap_share(Printed()) == (None, None, None)
    assert scrap_share(Printed(accepted=5))[:2] == (0.0, 0.0)
    assert scrap_share(Printed(scrapped=5))[2] == 1.0


def _beta_quantile(p: float, a: float = 2.5, b: float = 18.5, steps: int = 200_000) -> float:
    import numpy as np

    x = (np.arange(steps) + 0.5) / steps
    mass = np.cumsum(x ** (a - 1) * (1 - x) ** (b - 1))
    return float(x[np.searchsorted(mass / mass[-1], p)])


def test_clogs_a_litre_come_with_the_exact_interval() -> None:
    """Garwood's table for 3 events, 90 %: 0.818 to 7.754 (from memory; also half the chi-square quantiles)."""
    rate, low, high = clogs_per_litre(Printed(clogs=3, extruded_cm3=2000.0))
    assert rate == pytest.approx(1.5)
    assert (low, high) == pytest.approx((0.818 / 2, 7.754 / 2), abs=1e-3)
    assert clogs_per_litre(Printed(accepted=1)) == (None, None, None)
    assert clogs_per_litre(Printed(extruded_cm3=1000.0))[:2] == (0.0, 0.0)
