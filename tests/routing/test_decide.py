"""The decision: gates first, then the weighted log utility, with an explanation that is exact."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.benchmarks.bench_scoring import MATERIALS, big_shop, jobs
from tests.builders import block, calibration, chopped_fibre, curves, job, machine, nozzle, plain, shop, sliding_hole
from workers.model.codec import from_json, to_json
from workers.model.fleet import TipMaterial
from workers.model.job import Emphasis, JobSpec, MaterialNeed, Use
from workers.model.routing import Candidate, Routing, Scores, Weighed
from workers.model.shop import Shop
from workers.process.bead import bead_grid
from workers.routing.decide import Router
from workers.routing.explain import contributions, explain


def route(spec: JobSpec, the_shop: Shop | None = None) -> Routing:
    return Router(the_shop or shop()).route([spec])[0]


def utility(scores: Scores, weights: Scores) -> float:
    return sum(getattr(weights, one) * math.log(getattr(scores, one)) for one in Weighed)


def everyone(routing: Routing) -> list[Candidate]:
    assert routing.chosen is not None
    return [routing.chosen, *routing.others]


def test_candidates_are_ranked_by_weighted_log_utility() -> None:
    routing = route(job(summary=block(curves=curves(0.45)), tolerances=(sliding_hole(),)))

    ranked = everyone(routing)
    assert [c.utility for c in ranked] == sorted((c.utility for c in ranked), reverse=True)
    for candidate in ranked:
        assert candidate.utility == pytest.approx(utility(candidate.scores, routing.emphasis), abs=1e-12)


def test_the_contributions_sum_to_the_lead_exactly() -> None:
    routing = route(job(summary=block(curves=curves(0.45)), tolerances=(sliding_hole(),)))
    assert routing.chosen is not None

    shares = [part.share for part in contributions(routing)]

    assert sum(shares) == pytest.approx(routing.chosen.utility - routing.others[0].utility, abs=1e-12)


def test_the_fastest_feasible_candidate_has_a_time_score_of_one() -> None:
    routing = route(job(emphasis=Emphasis(detail=0, fit=0, clog=0, time=1)))
    assert routing.chosen is not None
    assert routing.chosen.scores.time == pytest.approx(1.0)


def test_the_same_job_gets_the_same_answer_to_the_byte_alone_or_in_a_batch() -> None:
    the_shop, specs = big_shop(6), jobs(40)

    in_one_pass = [to_json(routing) for routing in Router(the_shop).route(specs)]
    alone = [to_json(Router(the_shop).route([spec])[0]) for spec in specs]

    assert in_one_pass == alone


def test_a_routing_survives_the_store() -> None:
    routing = route(job(tolerances=(sliding_hole(),)))
    assert from_json(to_json(routing), Routing) == routing


def test_a_calibrated_bead_is_a_candidate_and_marked() -> None:
    measured = calibration("n04", "pla", bead_width_mm=0.47, layer_height_mm=0.21)
    routing = route(job(), shop(calibrations=(measured,), nozzles=(nozzle("n04", 0.4),)))
    assert routing.chosen is not None
    assert routing.chosen.calibrated
    widths, _ = bead_grid(0.4)
    assert 0.47 not in widths
    only = Router(shop(calibrations=(measured,), nozzles=(nozzle("n04", 0.4),)))
    assert 0.47 in only._table(("pla",)).widths


def test_a_measured_hole_allowance_moves_the_prediction_towards_it() -> None:
    spec = job(tolerances=(sliding_hole(),))
    measured = calibration("n04", "pla", hole_allowance_mm=-0.02, size_sd_mm=0.01, measured=10)
    one_bore = {"nozzles": (nozzle("n04", 0.4),)}

    before = route(spec, shop(**one_bore)).chosen
    after = route(spec, shop(**one_bore, calibrations=(measured,))).chosen

    assert before is not None
    assert after is not None
    assert abs(after.fits[0].mean_mm - 5.28) < abs(before.fits[0].mean_mm - 5.28)
    assert after.fits[0].scale_mm < before.fits[0].scale_mm


def test_the_newest_calibration_counts() -> None:
    old = calibration("n04", "pla", id="cal-b", calibrated_at=1.0, flow_ceiling_mm3_s=30.0)
    new = calibration("n04", "pla", id="cal-a", calibrated_at=2.0, flow_ceiling_mm3_s=5.0)
    slow = route(job(), shop(nozzles=(nozzle("n04", 0.4),), calibrations=(old, new))).chosen
    quick = route(job(), shop(nozzles=(nozzle("n04", 0.4),), calibrations=(old,))).chosen
    assert slow is not None
    assert quick is not None
    assert slow.print_h > quick.print_h


def test_a_good_copy_costs_more_than_a_copy() -> None:
    routing = route(job(material="pa-cf", summary=block(100, 60, 30), tolerances=(sliding_hole(),)))
    for candidate in everyone(routing):
        sound = candidate.grounds.sound_share
        assert candidate.good_share == pytest.approx((1 - candidate.clog_risk) * candidate.scores.fit * sound)
        attempts = 1 / candidate.good_share
        assert candidate.grams_per_good == pytest.approx(
            candidate.material_g * (1 - candidate.clog_risk / 2) * attempts
        )
        assert candidate.hours_per_good > candidate.print_h


def test_setup_is_shared_by_the_copies() -> None:
    one, ten = route(job()).chosen, route(job(quantity=10)).chosen
    assert one is not None
    assert ten is not None
    assert one.setup_h == pytest.approx(10 * ten.setup_h)


def test_a_material_can_be_named_by_its_properties() -> None:
    need = MaterialNeed(heat_deflection_min_c=100.0)
    routing = route(replace(job(), material=need))
    assert routing.chosen is not None
    assert routing.chosen.material_id == "pa-cf"
    (left_out,) = [r for r in routing.refused if r.material_id == "pla"]
    assert (left_out.needed, left_out.available) == (100.0, 55.0)


def test_an_empty_shop_answers_that_nothing_can_print() -> None:
    routing = route(job(), Shop(revision=0))
    assert routing.chosen is None
    assert routing.candidates == 0
    assert "Nothing" in explain(routing, Shop(revision=0)).headline


def test_load_bearing_parts_get_low_layers() -> None:
    heavy = route(job(use=Use(load_bearing=True))).chosen
    assert heavy is not None
    assert heavy.layer_height_mm / heavy.bore_mm <= 0.5 + 1e-9


weights = st.tuples(*[st.floats(0.02, 1.0)] * 4)


@settings(max_examples=40, deadline=None)
@given(weights)
def test_a_flip_names_the_weight_at_which_another_candidate_wins(emphasis: tuple[float, ...]) -> None:
    spec = job(
        summary=block(curves=curves(0.45, share=0.002)),
        tolerances=(sliding_hole(),),
        emphasis=Emphasis(**dict(zip(Weighed, emphasis, strict=True))),
    )
    router = Router(shop())
    routing = router.route([spec])[0]

    for flip in routing.flips:
        for to, away in ((flip.falls_to, -1), (flip.rises_to, 1)):
            if to is None or not 0.001 < to < 0.999:
                continue
            short = router.route([with_weight(spec, routing, flip.weight, to - away * 1e-6)])[0]
            beyond = router.route([with_weight(spec, routing, flip.weight, to + away * 1e-6)])[0]
            assert same_place(short.chosen, routing.chosen)
            assert not same_place(beyond.chosen, routing.chosen)


def with_weight(spec: JobSpec, routing: Routing, weight: Weighed, value: float) -> JobSpec:
    now = getattr(routing.emphasis, weight)
    moved = {
        one.value: value if one is weight else getattr(routing.emphasis, one) * (1 - value) / (1 - now)
        for one in Weighed
    }
    return replace(spec, emphasis=Emphasis(**moved))


def same_place(one: Candidate | None, other: Candidate | None) -> bool:
    assert one is not None
    assert other is not None
    return (one.nozzle_id, one.bead_width_mm, one.layer_height_mm) == (
        other.nozzle_id,
        other.bead_width_mm,
        other.layer_height_mm,
    )


def test_every_job_of_a_mixed_batch_gets_its_own_answer() -> None:
    specs = [job("a"), job("b", material="pa-cf"), job("c", summary=block(600, 10, 10)), job("d")]
    routings = Router(shop()).route(specs)
    assert [r.chosen.material_id if r.chosen else None for r in routings] == ["pla", "pa-cf", None, "pla"]


def test_a_soft_tip_is_refused_for_fibre() -> None:
    brass = nozzle("n04", 0.4, tip=TipMaterial.BRASS)
    routing = route(
        job(material="pa-cf"), shop(nozzles=(brass,), machines=(machine(),), materials=(chopped_fibre(), plain()))
    )
    assert routing.chosen is None


def test_all_materials_are_open_when_none_is_named() -> None:
    routing = route(replace(job(), material=MaterialNeed()))
    assert {c.material_id for c in everyone(routing)} == {"pla", "pa-cf"}
    assert set(MATERIALS) >= {"pla", "pa-cf"}


def test_all_pairings_begin_with_those_of_the_routing() -> None:
    spec = job(summary=block(curves=curves(0.45)), tolerances=(sliding_hole(),))
    router = Router(big_shop(6))
    (candidates,) = router.pairings([spec])
    routing = router.route([spec])[0]
    places = [(one.machine_id, one.nozzle_id, one.material_id) for one in candidates]
    assert len(set(places)) == len(places) > len(everyone(routing))
    bare = [replace(one, low=None, high=None, probability_best=None) for one in everyone(routing)]
    assert candidates[: len(bare)] == bare
    utilities = [one.utility for one in candidates]
    assert utilities == sorted(utilities, reverse=True)
    assert router.pairings([]) == []
    assert router.pairings([spec, job(material="pla")])[0] == candidates


def test_a_routing_on_a_given_pairing_says_of_it_what_is_said_anywhere() -> None:
    spec = job(tolerances=(sliding_hole(),))
    router = Router(shop())
    routing = router.route([spec])[0]
    best, second = everyone(routing)[:2]
    elsewhere = router.route_on(spec, (second.machine_id, second.nozzle_id, second.material_id))
    assert elsewhere is not None
    assert elsewhere.chosen is not None
    assert elsewhere.chosen.nozzle_id == second.nozzle_id != best.nozzle_id
    assert elsewhere.others[0].nozzle_id == best.nozzle_id
    told = {one.nozzle_id: one.scores for one in everyone(routing)}
    assert {one.nozzle_id: one.scores for one in everyone(elsewhere)} == told
    assert elsewhere.chosen.low is not None
    split = elsewhere.split
    assert split is not None
    hours = split.melt_h + split.motion_h + split.cooling_h + split.travel_h
    assert hours == pytest.approx(elsewhere.chosen.print_h, rel=1e-6)
    as_it_was = router.route_on(spec, (best.machine_id, best.nozzle_id, best.material_id))
    assert as_it_was == replace(routing, flips=())


def test_a_pairing_that_cannot_print_the_job_has_no_routing() -> None:
    router = Router(shop())
    assert router.route_on(job(), ("m1", "no such nozzle", "pla")) is None
    assert router.route_on(job(summary=block(900, 10, 10)), ("m1", "n04", "pla")) is None
