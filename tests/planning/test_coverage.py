"""Coverage: the state of each calibration, the demand behind it, and the order of the to-do list."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests import builders as make
from workers.model.dispatch import DispatchList, Entry, Listed
from workers.model.fleet import TipMaterial
from workers.model.outcome import Outcome
from workers.model.routing import Gate, InformationValue, Measure
from workers.planning.coverage import CalibrationState, Demand, cells_of, demand_of, errand, key_of, ranked, worth_of

NOW = 1_790_000_000.0
DAY = 86_400.0


def cells(**changes):
    return {(one.nozzle_id, one.material_id): one for one in cells_of(make.shop(**changes), {}, NOW)}


def measured(days: float, **changes):
    return make.calibration("n04", "pla", calibrated_at=NOW - days * DAY, **changes)


@pytest.mark.parametrize(
    ("days", "state"),
    [(0, CalibrationState.FRESH), (57, CalibrationState.FRESH), (59, CalibrationState.AGEING),
     (179, CalibrationState.AGEING), (181, CalibrationState.STALE)],
)  # fmt: skip
def test_a_calibration_ages_as_its_weight_halves_in_180_days(days, state):
    """0.5 ** (58 / 180) = 0.8, 0.5 ** (180 / 180) = 0.5: the half-life of workers/learning/ageing.py."""
    cell = cells(calibrations=(measured(days),))["n04", "pla"]
    assert (cell.state, cell.weight) == (state, pytest.approx(0.5 ** (days / 180.0)))


def test_a_changed_hotend_makes_it_stale_at_once_and_says_so():
    shop = make.shop(calibrations=(measured(1),))
    changed = tuple(replace(m, hotend_changed_at=NOW) for m in shop.machines)
    cell = cells(calibrations=shop.calibrations, machines=changed)["n04", "pla"]
    assert cell.state is CalibrationState.STALE
    assert "the hotend was changed since" in cell.causes


def test_every_mounted_nozzle_meets_every_material_and_what_cannot_be_says_its_gate():
    brass = make.nozzle("n04", 0.4, tip=TipMaterial.BRASS)
    found = cells(nozzles=(brass, make.nozzle("n05", 0.5, slot=2), make.nozzle("n06", 0.6, None)))
    assert set(found) == {(n, m) for n in ("n04", "n05") for m in ("pla", "pa-cf")}
    assert found["n04", "pa-cf"].refused_by is Gate.TIP_WEAR_CLASS
    assert found["n05", "pa-cf"].refused_by is None
    assert {one.state for one in found.values()} == {CalibrationState.NONE}


def listed(nozzle_id: str, copies: int, copy_h: float, accepted: int = 0):
    entry = Entry(job_id=f"j-{nozzle_id}-{copies}", name="part", attempt=1, quantity=copies, nozzle_id=nozzle_id,
                  material_id="pla", copy_h=copy_h, spread=0.1, retry_sd_h=0.0, priority=0, handed_in_at=NOW,
                  bound_at=NOW)  # fmt: skip
    return Listed(entry=entry, place=1.0, accepted=accepted)


def outcome(print_h: float | None):
    return Outcome(id="o", job_id="", at=NOW, machine_id="m1", nozzle_id="n05", material_id="pla", bore_mm=0.5,
                   bead_width_mm=0.5, layer_height_mm=0.25, accepted=True, print_h=print_h)  # fmt: skip


def test_demand_is_what_still_waits_and_what_was_printed():
    queue = DispatchList(machine_id="m1", version=1, listed=(listed("n04", 5, 2.0, accepted=2), listed("n04", 1, 1.0)))
    demand = demand_of([queue], [outcome(1.5), outcome(None)])
    assert demand["m1", "n04", "pla"] == Demand(waiting_jobs=2, waiting_copies=4, waiting_h=7.0)
    assert demand["m1", "n05", "pla"] == Demand(past_prints=2, past_h=1.5)


def test_worth_is_summed_over_the_jobs_and_scaled_to_all_that_wait():
    def value(measure, nozzle_id, gain):
        return InformationValue(measure=measure, machine_id="m1", nozzle_id=nozzle_id, material_id="pla", gain=gain,
                                chance_of_change=0.5)  # fmt: skip

    jobs = [[value(Measure.GAUGE_PIECE, "n04", 0.1), value(Measure.MEASURED_PRINT, "n04", 9.0)],
            [value(Measure.GAUGE_PIECE, "n04", 0.3), value(Measure.GAUGE_PIECE, "n05", 0.1)]]  # fmt: skip
    worth = worth_of([(10.0, jobs[0]), (1.0, jobs[1])])
    assert worth["m1", "n04", "pla"] == pytest.approx((1.3, 5.5))
    assert worth["m1", "n05", "pla"] == pytest.approx((0.1, 0.5))


def test_the_list_goes_by_gain_then_by_hours_and_leaves_out_what_is_fresh_or_refused():
    key = ("m1", "n06", "pla")
    demand = {key: Demand(waiting_jobs=1, waiting_copies=1, waiting_h=8.0), ("m1", "n04", "pla"): Demand(past_h=3.0),
              ("m1", "n05", "pla"): Demand(waiting_h=1.0)}  # fmt: skip
    fresh = make.calibration("n06", "pla", calibrated_at=NOW)
    found = cells_of(make.shop(calibrations=(fresh,)), demand, NOW)
    worth = {("m1", "n04", "pa-cf"): (0.2, 1.0)}
    assert [key_of(one)[1:] for one in ranked(found, worth)] == [("n04", "pa-cf"), ("n05", "pla"), ("n04", "pla")]


def test_an_errand_says_what_it_brings_and_takes():
    [cell] = [one for one in cells_of(make.shop(), {}, NOW) if key_of(one)[1:] == ("n05", "pla")]
    said = errand(1, cell, (0.4, 2.0), 1.25, 19.6, "M1 with n05 in PLA").sentence
    assert said == (
        "Gauge piece of M1 with n05 in PLA (no calibration; 0.0 h wait, 0.0 h were printed): expected to move 2.0 "
        "jobs, a gain of 0.4 in utility; takes 1.2 h and 20 g."
    )
