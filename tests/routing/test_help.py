"""What would help a job: for weak routings and for unroutable ones, each change true when it is followed."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from tests.builders import (
    block,
    calibration,
    chopped_fibre,
    curves,
    job,
    machine,
    nozzle,
    plain,
    shop,
    sliding_hole,
    spool,
)
from workers.model.fleet import TipMaterial
from workers.model.job import CriticalDetail
from workers.model.part import FeatureKind, SmallestFeatures
from workers.model.routing import Help
from workers.routing.betterments import WEAK, betterments, gain_of, left_in_corners_mm, weaknesses
from workers.routing.decide import Router, best
from workers.routing.help import helps

WIDE = (nozzle("n06", 0.6),)
TIGHT = job(tolerances=(sliding_hole(),))


def the(found: tuple[Help, ...], words: str) -> Help:
    [one] = [one for one in found if words in one.change]
    return one


def test_a_job_that_is_routed_well_needs_no_help() -> None:
    assert helps(Router(shop()), job()) == ()


def test_a_hole_that_comes_out_too_tight_is_helped_by_a_larger_one_a_looser_one_or_a_narrower_bore() -> None:
    found = helps(Router(shop(nozzles=WIDE)), TIGHT)
    larger, looser, narrower = (
        the(found, "Draw 'guide hole'"),
        the(found, "Let 'guide hole'"),
        the(found, "0.4 mm nozzle"),
    )
    for one in (larger, looser, narrower):
        assert one.now is not None
        assert one.then is not None
        assert one.now.fit < WEAK
        assert one.then.fit > WEAK
        assert one.gain is not None
        assert one.gain > 0.1
        assert f"{one.gain:+.2f} of utility" in one.effect
    drawn = float(larger.change.split(" at ")[1].split(" mm")[0])
    assert drawn > 5.3


def test_gains_come_first_to_last() -> None:
    gains = [one.gain for one in helps(Router(shop(nozzles=WIDE)), TIGHT)]
    assert gains == sorted(gains, key=lambda gain: -(gain or 0.0))
    assert len(gains) >= 3


def test_the_gain_is_the_sum_of_weighted_logarithms() -> None:
    router = Router(shop(nozzles=WIDE))
    [routing] = router.route([TIGHT])
    chosen = routing.chosen
    assert chosen is not None
    then = replace(chosen, scores=replace(chosen.scores, fit=1.0), print_h=2.0 * chosen.print_h + chosen.setup_h)
    expected = -routing.emphasis.fit * math.log(chosen.scores.fit) - routing.emphasis.time * math.log(2.0)
    assert gain_of(routing.emphasis, chosen, then) == pytest.approx(expected)
    assert gain_of(routing.emphasis, chosen, chosen) == 0.0


def test_a_change_does_what_it_says_when_it_is_followed() -> None:
    the_shop = shop(nozzles=WIDE)
    found = helps(Router(the_shop), TIGHT)
    bought = nozzle("n04", 0.4, tip=TipMaterial.HARDENED_STEEL, slot=2)
    [routing] = Router(replace(the_shop, nozzles=(*WIDE, bought))).route([TIGHT])
    assert routing.chosen is not None
    then = the(found, "0.4 mm nozzle").then
    assert then is not None
    assert routing.chosen.scores.fit == pytest.approx(then.fit)
    assert routing.chosen.scores.detail == pytest.approx(then.detail)


def test_lost_detail_is_helped_by_wider_features_that_are_named() -> None:
    fine = block(curves=curves(0.35), smallest=SmallestFeatures(rib_mm=0.35))
    found = helps(Router(shop(nozzles=WIDE)), job(summary=fine))
    wider = the(found, "the narrowest rib (0.35 mm)")
    assert wider.now is not None
    assert wider.then is not None
    assert wider.now.detail < WEAK < wider.then.detail
    assert the(found, "Get a 0.25 mm nozzle").gain


def test_a_clogging_filament_is_helped_by_a_wider_bore() -> None:
    """Common practice, no source: chopped fibre clogs narrow bores, and hardly any from 0.5 mm."""
    narrow = (nozzle("n04", 0.35),)
    large = job(material="pa-cf", summary=block(150, 100, 50), infill=0.6)
    stocked = shop(nozzles=narrow, spools=(spool("pa-cf", remaining_g=2000.0),))
    [routing] = Router(stocked).route([large])
    assert routing.chosen is not None
    assert routing.chosen.scores.clog < WEAK
    better = the(helps(Router(stocked), large), "Get a 0.5 mm nozzle")
    assert better.then is not None
    assert better.then.clog > 0.95


def test_an_unroutable_job_names_the_tip_that_it_needs() -> None:
    soft = shop(nozzles=(nozzle("n04", 0.4, tip=TipMaterial.BRASS),), materials=(chopped_fibre(),))
    found = helps(Router(soft), job(material="pa-cf"))
    tip = the(found, "hardened steel tip instead")
    assert (tip.gain, tip.now) == (None, None)
    assert "would print on M1" in tip.effect


def test_an_unroutable_job_names_the_bore_that_it_needs() -> None:
    fine = job(critical=(CriticalDetail(name="stroke", kind=FeatureKind.RIB, size_mm=0.3),))
    found = helps(Router(shop()), fine)
    assert [one.change for one in found if one.change.startswith("Get a")] == [
        "Get a 0.25 mm nozzle with a hardened steel tip",
        "Get a 0.3 mm nozzle with a hardened steel tip",
    ]


def test_a_calibration_that_may_turn_a_weak_choice_is_said_with_its_chance() -> None:
    two = shop(
        machines=(machine("m1"), machine("m2")),
        nozzles=(nozzle("n06", 0.6), nozzle("n05", 0.55, machine_id="m2")),
        materials=(plain(),),
        calibrations=(calibration("n06", "pla", bead_width_mm=0.6, layer_height_mm=0.3, measured=3),),
    )
    found = [one for one in helps(Router(two), TIGHT) if one.chance is not None]
    assert found
    for one in found:
        assert one.chance is not None
        assert 0.0 < one.chance <= 1.0
        assert "on average" in one.effect


def test_the_same_question_has_the_same_answer() -> None:
    assert helps(Router(shop(nozzles=WIDE)), TIGHT) == helps(Router(shop(nozzles=WIDE)), TIGHT)


def test_every_change_tried_keeps_what_the_job_asked_for() -> None:
    the_shop = shop(nozzles=WIDE)
    [routing] = Router(the_shop).route([TIGHT])
    assert routing.chosen is not None
    assert weaknesses(routing.chosen)
    for change in betterments(the_shop, TIGHT, routing.chosen):
        assert change.spec.quantity == TIGHT.quantity
        assert len(change.spec.tolerances) == len(TIGHT.tolerances)
        assert best(change.shop, change.spec) is not None


def test_a_tight_inner_corner_is_helped_by_a_larger_radius() -> None:
    """Geometry: a circle of radius w/2 in a square corner comes no nearer to it than (sqrt 2 - 1) w/2."""
    ribbed = SmallestFeatures(rib_mm=0.9, corner_radius_mm=0.0)
    spec = job(summary=block(smallest=ribbed))
    [routing] = Router(shop(nozzles=WIDE)).route([spec])
    assert routing.chosen is not None
    width = routing.chosen.bead_width_mm
    assert left_in_corners_mm(spec.part(), width) == pytest.approx((math.sqrt(2.0) - 1.0) * width / 2.0)
    one = the(helps(Router(shop(nozzles=WIDE)), spec), "the tightest inner corner")
    assert one.unit == "mm"
    assert one.amount == pytest.approx(width / 2.0, abs=0.0101)
    assert "instead of 0.00 mm" in one.change
    assert one.gain is not None
    assert one.gain > 0.0
    assert "in a square corner the bead leaves 0.00 mm instead of 0.1" in one.effect
    # followed, it is not said again
    rounder = replace(ribbed, corner_radius_mm=one.amount)
    assert not [
        again
        for again in helps(Router(shop(nozzles=WIDE)), job(summary=block(smallest=rounder)))
        if "corner" in again.change
    ]


def test_a_radius_that_no_score_weighs_is_said_with_what_it_leaves_and_no_gain() -> None:
    fine = block(curves=curves(0.35), smallest=SmallestFeatures(rib_mm=0.35, corner_radius_mm=0.1))
    *_, last = helps(Router(shop(nozzles=WIDE)), job(summary=fine))
    assert "instead of 0.10 mm" in last.change
    assert last.gain == pytest.approx(0.0)
    assert "in a square corner the bead leaves 0.00 mm instead of" in last.effect


def test_a_critical_detail_is_named_with_the_size_that_it_lacks() -> None:
    pin = CriticalDetail(name="pin", kind=FeatureKind.BOSS, size_mm=0.3)
    edge = CriticalDetail(name="edge", kind=FeatureKind.RIB, size_mm=0.5)
    the_shop = shop(nozzles=WIDE)
    one = the(helps(Router(the_shop), job(critical=(pin, edge))), "Draw 'pin'")
    assert "'pin' with a radius of at least 0.27 mm instead of 0.15 mm" in one.change
    assert "'edge' at least 0.54 mm wide instead of 0.50 mm" in one.change
    assert (one.amount, one.unit) == (pytest.approx(0.24), "mm")
    larger = (replace(pin, size_mm=0.54), replace(edge, size_mm=0.54))
    [routing] = Router(the_shop).route([job(critical=larger)])
    assert routing.chosen is not None


def test_by_how_much_is_a_number_with_a_unit() -> None:
    found = helps(Router(shop(nozzles=WIDE)), TIGHT)
    tried = [one for one in found if one.then is not None]
    assert len(tried) >= 3
    for one in tried:
        assert one.saved_h is not None
        assert one.good_gain is not None
    looser = the(found, "Let 'guide hole'")
    low, high = (float(word) for word in looser.change.split(" be ")[1].split(" mm")[0].split(" to "))
    before = looser.change.split("instead of ")[1].split(" mm")[0].split(" to ")
    assert looser.amount == pytest.approx((high - low) - (float(before[1]) - float(before[0])), abs=0.0011)
    assert (looser.unit, the(found, "0.4 mm nozzle").amount) == ("mm", 0.4)
    assert looser.good_gain is not None
    assert looser.good_gain > 0.1
    assert " of 100 copies good instead of " in looser.effect
