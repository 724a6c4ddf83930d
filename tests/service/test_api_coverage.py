"""Coverage over HTTP: the matrix, the queue behind it, and the to-do list with hours and grams."""

from __future__ import annotations

import pytest

from tests.service import api_bodies as bodies
from tests.service import trial_bodies
from workers import tasks


@pytest.fixture
def busy(api):
    """Two machines, and three jobs with a close fit on their dispatch lists."""
    trial_bodies.two_machines(api)
    fit = [{"name": "pin bore", "limits": {"lower_mm": 5.95, "upper_mm": 6.03}}]
    for n in range(3):
        api.made("/v1/jobs", bodies.job(name=f"Guide {n}", tolerances=fit, quantity=2))
    tasks.drain_and_bind(api.stores, "test")
    return api


def test_the_matrix_has_every_mounted_nozzle_with_every_material(busy):
    answer = busy.get("/v1/coverage").json
    assert len(answer["cells"]) == 5
    assert {one["state"] for one in answer["cells"]} == {"none"}
    assert sum(one["waiting_jobs"] for one in answer["cells"]) == 3
    assert sum(one["waiting_copies"] for one in answer["cells"]) == 6
    assert (answer["jobs_waiting"], answer["jobs_sampled"]) == (3, 3)


def test_the_list_is_ranked_and_says_what_each_piece_takes(busy):
    to_do = busy.get("/v1/coverage").json["to_do"]
    assert to_do
    assert [one["rank"] for one in to_do] == list(range(1, len(to_do) + 1))
    gains = [one["expected_gain"] for one in to_do]
    assert gains == sorted(gains, reverse=True)
    assert gains[0] > 0
    assert all(one["hours"] > 0.2 and 5 < one["material_g"] < 40 for one in to_do)
    assert all(one["sentence"].startswith("Gauge piece of ") for one in to_do)


def test_what_is_expected_agrees_with_the_value_of_information_of_the_jobs(busy):
    to_do = {(one["machine_id"], one["nozzle_id"]): one for one in busy.get("/v1/coverage").json["to_do"]}
    gains: dict[tuple[str, str], float] = {}
    for job in busy.get("/v1/jobs").json["items"]:
        for one in busy.get(f"/v1/jobs/{job['id']}/value-of-information").json["items"]:
            if one["measure"] == "gauge-piece":
                key = (one["machine_id"], one["nozzle_id"])
                gains[key] = gains.get(key, 0.0) + one["gain"]
    assert gains
    for key, gain in gains.items():
        assert to_do[key]["expected_gain"] == pytest.approx(gain)


def test_a_calibration_made_changes_the_answer(busy):
    before = busy.get("/v1/coverage").json
    first = before["to_do"][0]
    named = {name: first[name] for name in ("machine_id", "nozzle_id", "material_id")}
    reading = [
        {"kind": "hole", "nominal_mm": d, "measured_mm": d - 0.05 + e} for d, e in ((5, 0.01), (8, 0.0), (6, -0.01))
    ]
    bore = next(one["bore_mm"] for one in before["cells"] if one["nozzle_id"] == first["nozzle_id"])
    body = named | {"bead_width_mm": 1.1 * bore, "layer_height_mm": 0.5 * bore, "readings": reading, "keep": True}
    busy.made("/v1/gauge-readings", body)
    after = busy.get("/v1/coverage").json
    cell = next(one for one in after["cells"] if one["nozzle_id"] == first["nozzle_id"])
    assert (cell["state"], cell["weight"]) == ("fresh", pytest.approx(1.0, abs=1e-3))
    assert after["shop_revision"] > before["shop_revision"]


def test_an_empty_shop_has_nothing_to_cover(api):
    answer = api.get("/v1/coverage").json
    assert (answer["cells"], answer["to_do"]) == ([], [])
