"""Outcomes change routings: where they point, how far, and what the routing says it rests on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.benchmarks.bench_scoring import big_shop, experienced, jobs
from tests.builders import calibration, job, machine, nozzle, shop, sliding_hole
from tests.learning.outcomes import printed, routed
from workers.learning.intake import admit, sums_of
from workers.model.codec import from_json, to_json
from workers.model.evidence import merged, negative
from workers.model.outcome import ScrapReason
from workers.model.routing import Candidate, Routing
from workers.model.shop import Shop
from workers.routing.decide import Router
from workers.routing.explain import explain

SPEC = job(tolerances=(sliding_hole(),))


def two_machines() -> Shop:
    return shop(machines=(machine("m1"), machine("m2")), nozzles=(nozzle("n1", 0.4, "m1"), nozzle("n2", 0.4, "m2")))


def learn(the_shop: Shop, candidate: Candidate, times: int = 1, **report: object) -> Shop:
    """The shop after so many equal outcomes of SPEC on that candidate."""
    deltas = [delta for i in range(times) for delta in sums_of(printed(SPEC, candidate, i, **report))]
    return replace(the_shop, evidence=merged(the_shop.evidence, deltas), revision=the_shop.revision + 1)


def route(the_shop: Shop) -> Routing:
    return Router(the_shop).route([SPEC])[0]


def by_machine(the_shop: Shop) -> dict[str, Candidate]:
    found = route(the_shop)
    assert found.chosen is not None
    return {one.machine_id: one for one in (found.chosen, *found.others)}


def test_slow_prints_send_the_next_job_to_the_twin_machine() -> None:
    before = route(two_machines()).chosen
    assert before is not None
    after = route(learn(two_machines(), before, times=3, print_h=before.print_h * 1.5)).chosen
    assert after is not None
    assert after.machine_id != before.machine_id


def test_the_twin_is_believed_to_have_become_a_little_slower_too() -> None:
    start = by_machine(two_machines())
    now = by_machine(learn(two_machines(), start["m1"], print_h=start["m1"].print_h * 1.5))
    own, twin = (now[one].grounds.time_factor for one in ("m1", "m2"))
    assert own > twin > 1.0
    assert twin - 1.0 < 0.5 * (own - 1.0)


def test_measured_sizes_shift_and_narrow_the_prediction() -> None:
    start = by_machine(two_machines())["m1"]
    sizes = (("guide hole", start.fits[0].mean_mm + 0.05),)
    after = by_machine(learn(two_machines(), start, times=6, sizes=sizes))["m1"].fits[0]
    assert after.prior_mean_mm is not None
    assert after.prior_scale_mm is not None
    assert after.mean_mm - after.prior_mean_mm == pytest.approx(0.05 * 6 / 6.25)  # the prior is worth a quarter of one
    assert after.scale_mm < after.prior_scale_mm
    assert (start.fits[0].prior_mean_mm, start.fits[0].prior_scale_mm) == pytest.approx(
        (start.fits[0].mean_mm, start.fits[0].scale_mm)
    )


def test_sizes_of_one_bead_count_for_every_bead() -> None:
    """The error is kept against the prior's bias, so what one width showed holds for the others."""
    start = by_machine(two_machines())["m1"]
    learnt = learn(two_machines(), start, times=6, sizes=(("guide hole", start.fits[0].mean_mm + 0.05),))
    seen = Router(learnt).looked_at(SPEC)
    assert seen is not None
    prediction, table = seen[0].fit_block.prediction, seen[0].table  # type: ignore[union-attr]
    shifts = (prediction.mean - prediction.prior_mean)[0, table.fit_class_of[0]]
    assert shifts == pytest.approx([shifts[0]] * len(shifts))


def test_clogs_raise_the_risk_and_scrap_lowers_the_good_share() -> None:
    start = by_machine(two_machines())["m1"]
    clogged = by_machine(learn(two_machines(), start, accepted=False, scrap_reason=ScrapReason.CLOG, clogs=1))["m1"]
    warped = by_machine(learn(two_machines(), start, accepted=False, scrap_reason=ScrapReason.WARPED))["m1"]
    assert clogged.clog_risk > 2 * start.clog_risk
    assert clogged.grounds.prior_clog_per_cm3 == start.grounds.prior_clog_per_cm3
    assert warped.good_share < start.good_share
    assert warped.cost_per_good > start.cost_per_good


def test_a_routing_says_what_it_rests_on() -> None:
    start = by_machine(two_machines())["m1"]
    assert "Nothing was measured on this pairing yet" in " ".join(
        explain(route(two_machines()), two_machines()).reasons
    )
    learnt = learn(two_machines(), start, times=4, print_h=start.print_h * 0.9, sizes=(("guide hole", 5.2),))
    grounds = by_machine(learnt)["m1"].grounds
    assert (grounds.prints, grounds.timed, grounds.sizes) == (4, 4, 4)
    assert grounds.volume_cm3 == pytest.approx(4 * start.volume_cm3, rel=1e-3)
    assert "4 measured sizes, 4 timed prints" in " ".join(explain(route(learnt), learnt).reasons)


def test_the_hours_split_sums_to_the_learnt_hours() -> None:
    start = by_machine(two_machines())["m1"]
    found = route(learn(two_machines(), start, times=5, print_h=start.print_h * 0.6))
    assert found.chosen is not None
    assert found.split is not None
    split = found.split
    assert split.melt_h + split.motion_h + split.cooling_h + split.travel_h == pytest.approx(
        found.chosen.print_h, rel=0.02
    )


def test_withdrawn_outcomes_leave_no_trace() -> None:
    start = by_machine(two_machines())["m1"]
    learnt = learn(two_machines(), start, print_h=0.7, sizes=(("guide hole", 5.17),))
    taken_back = replace(learnt, evidence=merged(learnt.evidence, [(e.key, negative(e.sums)) for e in learnt.evidence]))
    assert replace(taken_back, revision=1) == two_machines()
    assert to_json(route(replace(taken_back, revision=1))) == to_json(route(two_machines()))


def test_with_evidence_and_a_clock_a_job_gets_the_same_bytes_alone_or_in_a_batch() -> None:
    old = calibration("n00-1", "pla", "m00", calibrated_at=1_770_000_000.0, hole_allowance_mm=-0.05, measured=6)
    the_shop, specs = replace(experienced(big_shop(6)), calibrations=(old,)), jobs(40)
    now = 1_780_000_123.0
    in_one_pass = [to_json(one) for one in Router(the_shop, now).route(specs)]
    alone = [to_json(Router(the_shop, now).route([spec])[0]) for spec in specs]
    same_hour = [to_json(one) for one in Router(the_shop, now + 60.0).route(specs)]
    assert in_one_pass == alone == same_hour
    assert from_json(in_one_pass[0], Routing).as_of == 1_779_998_400.0


def test_the_order_of_the_evidence_makes_no_difference() -> None:
    the_shop, specs = experienced(big_shop(4)), jobs(5)
    turned = replace(the_shop, evidence=tuple(reversed(the_shop.evidence)))
    assert [to_json(r) for r in Router(the_shop).route(specs)] == [to_json(r) for r in Router(turned).route(specs)]


def test_an_outcome_of_a_routing_is_in_line_with_it() -> None:
    spec, candidate = routed()
    one = printed(spec, candidate, print_h=candidate.print_h, sizes=(("guide hole", candidate.fits[0].mean_mm),))
    assert admit(one).outcome.flags == ()
