"""Gauge pieces over HTTP: the fit shown, and kept as a calibration that the routings use."""

from __future__ import annotations

import pytest

from tests.service import api_bodies as bodies

HOLES = [{"kind": "hole", "nominal_mm": d, "measured_mm": d - 0.2 + e} for d, e in ((4, 0.01), (6, -0.01), (8, 0.0))]
BOSSES = [{"kind": "boss", "nominal_mm": d, "measured_mm": d + 0.06 + e} for d, e in ((5, 0.01), (9, -0.01))]


def piece(**changes):
    return {
        "machine_id": "alder",
        "nozzle_id": "n-040-1",
        "material_id": "pla-grey",
        "bead_width_mm": 0.44,
        "layer_height_mm": 0.2,
        "readings": HOLES + BOSSES,
        "measured_by": "Early shift",
        "instrument": "pin gauges, 0.01 mm",
    } | changes


def test_a_gauge_piece_is_fitted_and_not_kept_unasked(shop):
    answer = shop.post("/v1/gauge-readings", piece())
    assert (answer.status_code, answer.json["kept"]) == (200, False)
    fit = answer.json["fit"]
    assert fit["hole"]["allowance_mm"] == pytest.approx(-0.2)
    assert fit["boss"]["allowance_mm"] == pytest.approx(0.06)
    assert fit["hole"]["allowance_low_mm"] < -0.2 < fit["hole"]["allowance_high_mm"]
    assert [one["residual_mm"] for one in fit["residuals"]] == pytest.approx([0.01, -0.01, 0.0, 0.01, -0.01])
    assert shop.get("/v1/calibrations").json["items"] == []


def test_a_kept_reading_is_a_calibration_that_the_next_routing_uses(shop):
    before = shop.post("/v1/routing-queries", bodies.job()).json["routing"]["chosen"]
    answer = shop.post("/v1/gauge-readings", piece(keep=True, calibration_id="alder-g1"))
    assert (answer.status_code, answer.headers["Location"]) == (201, "/v1/calibrations/alder-g1")
    kept = shop.get("/v1/calibrations/alder-g1").json
    assert kept == answer.json["calibration"]
    assert (kept["measured_by"], kept["instrument"], kept["measured"]) == ("Early shift", "pin gauges, 0.01 mm", 2)
    assert (kept["nozzle_temp_c"], kept["abrasive_cm3_at"]) == (210.0, 0.0)
    after = shop.post("/v1/routing-queries", bodies.job()).json["routing"]["chosen"]
    assert (before["calibrated"], after["calibrated"]) == (False, True)
    assert after["fits"][0]["mean_mm"] < before["fits"][0]["mean_mm"]
    behind = shop.get("/v1/gauge-readings/alder-g1").json
    assert behind["reading"]["readings"] == piece()["readings"]
    assert behind["fit"] == answer.json["fit"]


def test_what_was_not_measured_now_is_taken_over_and_said(shop):
    earlier = {"flow_ceiling_mm3_s": 11, "flow_ratio": 0.96, "boss_allowance_mm": 0.05, "measured": 9}
    shop.made("/v1/calibrations", bodies.calibration(**earlier))
    made = shop.post("/v1/gauge-readings", piece(readings=HOLES, keep=True)).json
    assert set(made["taken_over"]) == {"flow_ratio", "flow_ceiling_mm3_s", "nozzle_temp_c", "boss_allowance_mm"}
    kept = made["calibration"]
    assert (kept["flow_ceiling_mm3_s"], kept["flow_ratio"], kept["boss_allowance_mm"]) == (11, 0.96, 0.05)
    assert kept["hole_allowance_mm"] == pytest.approx(-0.2)


def test_a_kept_reading_is_kept_once_under_its_key(shop):
    first, again = (shop.post("/v1/gauge-readings", piece(keep=True), Idempotency_Key='"g-1"') for _ in range(2))
    assert (first.status_code, first.data) == (201, again.data)
    assert len(shop.get("/v1/calibrations").json["items"]) == 1


def test_a_reading_of_another_feature_is_pointed_at(shop):
    wrong = [*HOLES, {"kind": "hole", "nominal_mm": 8, "measured_mm": 12.0}]
    answer = shop.post("/v1/gauge-readings", piece(readings=wrong))
    assert (answer.status_code, answer.json["errors"][0]["pointer"]) == (422, "/readings/3/measured_mm")


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"machine_id": "nobody"}, "/machine_id"),
        ({"material_id": "nobody"}, "/material_id"),
        ({"readings": []}, "/readings"),
        ({"readings": [{"kind": "slot", "nominal_mm": 3, "measured_mm": 3}]}, "/readings/0/kind"),
        ({"layer_height_mm": 0.5}, "/layer_height_mm"),
        ({"measured_at": "2099-01-01T00:00:00Z"}, "/measured_at"),
    ],
)
def test_what_cannot_be_is_refused_where_it_stands(shop, changes, where):
    answer = shop.post("/v1/gauge-readings", piece(**changes))
    assert (answer.status_code, answer.json["errors"][0]["pointer"]) == (422, where)


def test_an_id_that_is_taken_keeps_nothing(shop):
    shop.made("/v1/calibrations", bodies.calibration())
    taken = shop.post("/v1/gauge-readings", piece(keep=True, calibration_id="alder-040-grey"))
    assert taken.status_code == 409
    assert shop.get("/v1/gauge-readings/alder-040-grey").status_code == 404
