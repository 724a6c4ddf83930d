"""The state of things: aged calibrations, worn tips, wet spools, and what the routing says of them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.builders import calibration, chopped_fibre, job, machine, nozzle, plain, shop, sliding_hole, spool
from workers.learning.ageing import DAY_S, HALF_LIFE_D
from workers.model.fleet import TipMaterial
from workers.model.routing import Candidate, FitPrediction, Gate, Routing
from workers.model.shop import Shop
from workers.process.wear import life_cm3
from workers.routing.decide import Router
from workers.routing.explain import explain

MEASURED_AT = 1_780_000_000.0 // 3600 * 3600
SPEC = job(tolerances=(sliding_hole(),))
STEEL_LIFE = life_cm3(TipMaterial.HARDENED_STEEL)


def calibrated(**changes: Any) -> Shop:
    measured = calibration(
        "n04", "pla", calibrated_at=MEASURED_AT, hole_allowance_mm=-0.06, size_sd_mm=0.01, measured=10, **changes
    )
    return shop(nozzles=(nozzle("n04", 0.4),), calibrations=(measured,))


def route(the_shop: Shop, now: float | None = None) -> Routing:
    return Router(the_shop, now).route([SPEC])[0]


def chosen(the_shop: Shop, now: float | None = None) -> Candidate:
    found = route(the_shop, now).chosen
    assert found is not None
    return found


def notes(the_shop: Shop, now: float | None = None) -> str:
    return " ".join(route(the_shop, now).notes)


def shift(fit: FitPrediction) -> float:
    """How far the calibration moved the prediction."""
    assert fit.prior_mean_mm is not None
    return fit.mean_mm - fit.prior_mean_mm


def test_without_a_clock_nothing_ages() -> None:
    found = chosen(calibrated())
    assert found.grounds.calibration_weight == 1.0
    assert found.grounds.calibration_age_d is None
    assert route(calibrated()).as_of is None
    assert "calibration counts" not in notes(calibrated())


def test_an_aged_calibration_is_drawn_back_to_the_prior() -> None:
    moments = (MEASURED_AT, MEASURED_AT + 2 * HALF_LIFE_D * DAY_S, MEASURED_AT + 40 * HALF_LIFE_D * DAY_S)
    fresh, old, ancient = (chosen(calibrated(), now).fits[0] for now in moments)
    assert shift(fresh) > shift(old) > shift(ancient) == pytest.approx(0.0, abs=1e-6)
    assert fresh.scale_mm < old.scale_mm < ancient.scale_mm == pytest.approx(ancient.prior_scale_mm)


def test_a_stale_calibration_is_said_with_its_age() -> None:
    said = notes(calibrated(), MEASURED_AT + 2 * HALF_LIFE_D * DAY_S)
    assert "The calibration counts for 25% of a fresh one, for it is 360 days old: measure again." in said


def test_an_aged_flow_ceiling_is_drawn_back_to_the_model() -> None:
    slow = calibrated(flow_ceiling_mm3_s=4.0)
    hours = [chosen(slow, MEASURED_AT + days * DAY_S).print_h for days in (0, 200, 2000)]
    never = chosen(shop(nozzles=(nozzle("n04", 0.4),))).print_h
    assert hours[0] > hours[1] > hours[2] > never * 0.99


def test_a_changed_hotend_or_batch_makes_a_calibration_stale() -> None:
    base = calibrated()
    swapped = replace(base, machines=(machine(hotend_changed_at=MEASURED_AT + 1),))
    rebought = replace(base, materials=(chopped_fibre(), plain(batch_changed_at=MEASURED_AT + 1)))
    assert "the hotend was changed since" in notes(swapped)
    assert "the material batch was changed since" in notes(rebought)
    assert chosen(swapped).grounds.calibration_weight == chosen(rebought).grounds.calibration_weight == 0.25


def test_wear_since_a_calibration_takes_from_it() -> None:
    base = calibrated(abrasive_cm3_at=100.0)
    worn = replace(base, nozzles=(nozzle("n04", 0.4, abrasive_cm3=100.0 + 0.05 * STEEL_LIFE),))
    assert "the tip has used 5% of its life since" in notes(worn)
    assert chosen(worn).grounds.calibration_weight == pytest.approx(0.5**0.5)


def test_a_worn_out_tip_is_refused_with_both_figures() -> None:
    spent = shop(nozzles=(nozzle("n04", 0.4, abrasive_cm3=STEEL_LIFE),))
    (refusal,) = route(spent).refused
    assert (refusal.gate, refusal.needed, refusal.available) == (Gate.WORN, STEEL_LIFE, STEEL_LIFE)
    assert "abrasive filament" in explain(route(spent), spent).refusals[0]


def test_the_end_of_a_tip_is_announced() -> None:
    nearly = shop(nozzles=(nozzle("n04", 0.4, abrasive_cm3=0.85 * STEEL_LIFE),))
    assert "nears the end of its life" in notes(nearly)
    assert "nears the end" not in notes(shop(nozzles=(nozzle("n04", 0.4, abrasive_cm3=0.5 * STEEL_LIFE),)))


def test_a_grown_bore_closes_holes_further() -> None:
    def mean(abrasive_cm3: float) -> float:
        return chosen(shop(nozzles=(nozzle("n04", 0.4, abrasive_cm3=abrasive_cm3),))).fits[0].mean_mm

    assert mean(0.9 * STEEL_LIFE) < mean(0.0)


def damp(dried_at: float | None, limit_h: float = 8.0) -> Shop:
    material = plain(moisture_limit_h=limit_h, drying_temp_c=50.0, drying_h=5.0)
    return shop(
        nozzles=(nozzle("n04", 0.4),),
        materials=(material,),
        spools=(spool("pla", "m1", dried_at=dried_at),),
    )


def test_a_wet_spool_clogs_more_often_and_the_drying_is_said() -> None:
    now = MEASURED_AT + 40 * 3600.0
    wet, dry = chosen(damp(MEASURED_AT), now), chosen(damp(now - 3600.0), now)
    assert wet.clog_risk == pytest.approx(3.0 * dry.clog_risk, rel=0.01)
    assert "was dried 40 h ago" in notes(damp(MEASURED_AT), now)
    assert "Dry at 50 °C for 5 h first." in notes(damp(MEASURED_AT), now)


def test_a_spool_of_unknown_state_raises_nothing_but_is_said() -> None:
    now = MEASURED_AT + 40 * 3600.0
    assert chosen(damp(None), now).clog_risk == chosen(damp(now), now).clog_risk
    assert "when its spool was last dried is not known" in notes(damp(None), now)


def test_the_loaded_spool_counts_not_the_fullest() -> None:
    now = MEASURED_AT + 100 * 3600.0
    base = damp(MEASURED_AT)
    fresh_on_the_shelf = replace(spool("pla", dried_at=now, remaining_g=5000.0), id="spool-shelf")
    both = replace(base, spools=(*base.spools, fresh_on_the_shelf))
    assert chosen(both, now).clog_risk == chosen(base, now).clog_risk
