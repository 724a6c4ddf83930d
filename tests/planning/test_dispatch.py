"""The rule that orders a dispatch list, against reckoning every position in full."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.builders import chopped_fibre, plain, shop, spool
from workers.model.dispatch import Entry, Listed
from workers.planning import dispatch, line
from workers.planning.dispatch import Bench, Sequencer
from workers.planning.drying import drying_hours
from workers.planning.finish_times import timings
from workers.planning.places import UNPLACED, is_crowded, placed, renumbered

NOW = 1_780_000_000.0
HOUR = 3600.0
BENCH = Bench(now=NOW, nozzle_change_h=0.25, material_change_h=0.1, loaded={"n04": "pla"})


def listed(job_id: str = "j", copy_h: float = 1.0, due_h: float | None = None, **changes: object) -> Listed:
    values = {
        "name": job_id,
        "attempt": 1,
        "quantity": 1,
        "nozzle_id": "n04",
        "material_id": "pla",
        "spread": 0.1,
        "retry_sd_h": 0.0,
        "priority": 0,
        "handed_in_at": NOW,
        "bound_at": NOW,
        "due_at": None if due_h is None else NOW + due_h * HOUR,
    }
    entry = Entry(job_id=job_id, copy_h=copy_h, **(values | changes))  # type: ignore[arg-type]
    return Listed(entry=entry, place=UNPLACED)


def names(sequencer: Sequencer) -> str:
    return "".join(one.entry.job_id for one in sequencer.listed)


def grown(*jobs: Listed, bench: Bench = BENCH) -> Sequencer:
    sequencer = Sequencer(bench)
    for one in jobs:
        sequencer.insert(one)
    return sequencer


entries = st.builds(
    lambda hours, due, nozzle, material, priority, quantity: listed(
        "x", hours, due, nozzle_id=nozzle, material_id=material, priority=priority, quantity=quantity
    ),
    st.sampled_from([0.5, 1.0, 2.5]),
    st.sampled_from([None, 0.5, 2.0, 6.0]),
    st.sampled_from(["n04", "n06"]),
    st.sampled_from(["pla", "pa-cf", "petg"]),
    st.integers(-5, 10),
    st.integers(1, 3),
)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(entries, max_size=7),
    entries,
    st.sampled_from([0.0, 1.5]),
    st.dictionaries(st.sampled_from(["pla", "pa-cf", "petg"]), st.sampled_from([1.0, 4.0, 9.0])),
)
def test_the_price_of_each_position_is_the_difference_of_two_whole_lists(
    jobs: list[Listed], job: Listed, busy_h: float, dry_h: dict[str, float]
) -> None:
    bench = replace(BENCH, busy_h=busy_h, busy_sd_h=0.1 * busy_h, dry_h=dry_h)
    sequencer = Sequencer(bench, jobs)

    prices = sequencer.costs(job)

    before = sequencer.cost().total
    whole = [Sequencer(bench, [*jobs[:k], job, *jobs[k:]]).cost().total - before for k in range(len(jobs) + 1)]
    assert prices == pytest.approx(np.array(whole), abs=1e-6)


@settings(max_examples=100, deadline=None)
@given(st.lists(entries, max_size=8))
def test_a_list_grown_job_by_job_costs_what_the_same_order_costs(jobs: list[Listed]) -> None:
    sequencer = grown(*jobs)
    assert sequencer.cost().total == pytest.approx(Sequencer(BENCH, sequencer.listed).cost().total)


def test_the_urgent_go_ahead_and_what_can_wait_stays() -> None:
    assert names(grown(listed("a", 5), listed("b", 1, due_h=2))) == "ba"
    assert names(grown(listed("a", 5, due_h=5), listed("b", 1, due_h=20))) == "ab"


def test_priority_goes_ahead_where_nobody_is_late() -> None:
    assert names(grown(listed("a"), listed("b"), listed("c", priority=10))) == "cab"


def test_a_material_on_the_machine_is_used_up_before_a_change() -> None:
    jobs = [listed("a"), listed("b", material_id="petg"), listed("c")]
    assert names(grown(*jobs)) == "acb"
    assert grown(*jobs).cost().setup_h == pytest.approx(0.1)


def test_a_setup_counts_from_the_material_before_to_the_one_after() -> None:
    """Direction: the first change depends on what is loaded, which only one order can use."""
    there = Sequencer(BENCH, [listed("a"), listed("b", material_id="petg")])
    back = Sequencer(BENCH, [listed("b", material_id="petg"), listed("a")])
    assert there.cost().setup_h == pytest.approx(0.1)
    assert back.cost().setup_h == pytest.approx(0.2)


def test_a_nozzle_that_is_not_mounted_costs_its_mounting() -> None:
    assert Sequencer(BENCH, [listed("a", nozzle_id="n08")]).cost().setup_h == pytest.approx(0.35)


def test_nothing_is_put_ahead_of_a_pinned_job() -> None:
    pinned = listed("p", 9, pinned=True)
    assert names(grown(pinned, listed("u", 1, due_h=1))) == "pu"


def test_a_long_job_without_a_due_date_is_not_passed_for_ever() -> None:
    """After a week of waiting it counts as late, and a fresh short job stays behind."""
    waited = listed("w", 20, handed_in_at=NOW - 8 * 24 * HOUR)
    assert names(grown(waited, listed("s", 1))) == "ws"
    assert names(grown(listed("w", 20), listed("s", 1))) == "sw"


def test_finish_times_add_up_and_their_errors_in_squares() -> None:
    """Sums of independent errors: variances add (any statistics text); 1.645 is the normal's 95th percentile."""
    first, second = timings(BENCH, [listed("a", 2.0), listed("b", 1.0, due_h=3.5)])
    assert (first.start_h, first.finish_h, second.finish_h) == (0.0, 2.0, 3.0)
    half = 1.645 * math.hypot(0.2, 0.1)
    assert second.finish_high_h - second.finish_h == pytest.approx(half, rel=1e-3)
    assert second.finish_low_h == pytest.approx(3.0 - half, rel=1e-3)


def test_lateness_risk_is_the_normal_tail() -> None:
    """P(Z > 1) = 0.1587 (standard normal table)."""
    (timing,) = timings(BENCH, [listed("a", 2.0, due_h=2.2)])
    assert timing.lateness_risk == pytest.approx(0.1587, abs=1e-4)
    (on_time,) = timings(BENCH, [listed("a", 2.0, due_h=2.0)])
    assert on_time.lateness_risk == pytest.approx(0.5)
    assert timings(BENCH, [listed("a")])[0].lateness_risk is None


def test_places_rise_in_the_order_of_the_list() -> None:
    old = renumbered([listed("a"), listed("b")])
    new = placed([listed("x"), old[0], listed("y"), listed("z"), old[1], listed("w")])
    places = [one.place for one in new]
    assert places == sorted(places)
    assert len(set(places)) == 6
    assert (new[1].place, new[4].place) == (old[0].place, old[1].place)
    assert not is_crowded(new)
    assert is_crowded([replace(old[0], place=1.0), replace(old[1], place=1.0 + 1e-9)])


def test_the_weight_doubles_with_the_stated_steps_of_priority() -> None:
    assert dispatch.weight_of(listed(priority=5).entry) == pytest.approx(2.0)


WET = replace(BENCH, dry_h={"pa-cf": 4.0})


def wet(job_id: str = "w", copy_h: float = 1.0, **changes: object) -> Listed:
    return listed(job_id, copy_h, **{"nozzle_id": "n06", "material_id": "pa-cf", **changes})


def test_a_job_waits_for_its_spool_to_dry_while_others_print() -> None:
    """Two dry hours first, then the setup (0.35 h: another nozzle), then the wait up to the 4 h of drying."""
    first, second = timings(WET, [listed("a", 2.0), wet()])
    assert (first.finish_h, first.drying_h) == (2.0, 0.0)
    assert (second.setup_h, second.drying_h) == pytest.approx((0.35, 1.65))
    assert (second.start_h, second.finish_h) == pytest.approx((4.0, 5.0))


def test_drying_takes_no_machine_hours_once_it_is_over() -> None:
    (_, late) = timings(WET, [listed("a", 6.0), wet()])
    assert (late.drying_h, late.finish_h) == pytest.approx((0.0, 7.35))
    both = timings(WET, [wet("v"), wet("w")])
    assert both[1].finish_h == pytest.approx(6.0)


def test_what_is_dry_goes_ahead_of_what_dries() -> None:
    assert names(grown(wet(), listed("a", 3.0), bench=WET)) == "aw"
    assert names(grown(wet(), listed("a", 3.0), bench=replace(WET, dry_h={}))) == "wa"


def test_the_finish_of_a_list_agrees_with_going_through_it_job_by_job() -> None:
    jobs = [listed("a", 1.5), wet("b", 2.0), listed("c", 0.5), wet("d", 1.0)]
    clock = 0.0
    for one, timing in zip(jobs, timings(WET, jobs), strict=True):
        start = max(clock + timing.setup_h, 4.0 if one.entry.material_id == "pa-cf" else 0.0)
        clock = start + one.entry.copy_h
        assert timing.finish_h == pytest.approx(clock)
    finish = Sequencer(WET, jobs)._line.finish(0.0)
    assert finish[-1] == pytest.approx(clock)


def test_expected_lateness_is_the_partial_mean_of_a_normal() -> None:
    """At the due date itself 0.3989 sd (the normal's density at 0); certain lateness is the hours themselves."""
    sd = np.array([2.0, 2.0, 2.0])
    found = line.expected_late(np.array([0.0, 40.0, -40.0]), sd)
    assert found == pytest.approx([0.7979, 40.0, 0.0], abs=1e-4)
    draws = np.random.default_rng(5).normal(1.0, 2.0, 400_000)
    assert line.expected_late(np.array([1.0]), sd[:1])[0] == pytest.approx(np.maximum(draws, 0).mean(), abs=0.01)


def test_the_less_certain_of_two_equal_jobs_goes_first() -> None:
    """Both would just make it; what may take longer risks more by waiting."""
    sure, doubtful = listed("s", 4, due_h=8.2, spread=0.01), listed("d", 4, due_h=8.2, spread=0.5)
    assert names(grown(sure, doubtful)) == "ds"


@pytest.mark.parametrize(
    ("dried_h_ago", "drying_h", "expected"),
    [(100.0, 4.0, {"pa-cf": 4.0}), (10.0, 4.0, {}), (None, 4.0, {}), (100.0, None, {})],
)
def test_a_spool_is_wet_past_its_materials_limit(
    dried_h_ago: float | None, drying_h: float | None, expected: dict[str, float]
) -> None:
    """PA6 dries at 82 C in 2 to 4 h (resin handbooks); 48 h out of dry storage is common practice, no source."""
    dried_at = None if dried_h_ago is None else NOW - dried_h_ago * HOUR
    nylon = chopped_fibre(moisture_limit_h=48.0, drying_temp_c=82.0, drying_h=drying_h)
    here = shop(materials=(nylon, plain()), spools=(spool("pa-cf", dried_at=dried_at),))
    assert drying_hours(here, "m1", NOW) == expected


def test_the_spool_on_the_machine_decides_before_a_fuller_one_on_the_shelf() -> None:
    nylon = chopped_fibre(moisture_limit_h=48.0, drying_temp_c=82.0, drying_h=4.0)
    wet_here = spool("pa-cf", "m1", dried_at=NOW - 100 * HOUR, remaining_g=300.0)
    dry_there = replace(spool("pa-cf", dried_at=NOW - HOUR), id="other")
    here = shop(materials=(nylon,), spools=(wet_here, dry_there))
    assert drying_hours(here, "m1", NOW) == {"pa-cf": 4.0}
    assert drying_hours(here, "m2", NOW) == {}
