"""Outcomes over HTTP: reported, learnt or flagged, confirmed, withdrawn; and what the shop knows afterwards."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest

from tests.service import api_bodies as bodies
from workers import tasks
from workers.model.codec import from_json, to_json
from workers.model.routing import Routing


@pytest.fixture
def routed(shop):
    """A shop with one routed job; ``path`` of the job, ``chosen`` of its routing."""
    shop.path = shop.made("/v1/jobs", bodies.job())["location"]
    tasks.drain_inbox(shop.stores, "test")
    shop.job_id = shop.path.rsplit("/", 1)[1]
    shop.chosen = shop.get(f"{shop.path}/routing").json["routing"]["chosen"]
    return shop


def good(routed, **changes):
    """A copy that came out as the routing had said."""
    size = {"name": "pin bore", "measured_mm": round(routed.chosen["fits"][0]["mean_mm"], 3)}
    return {"job_id": routed.job_id, "accepted": True, "print_h": routed.chosen["print_h"], "sizes": [size]} | changes


def free(**changes):
    """A print that was no job here."""
    return {
        "machine_id": "alder",
        "nozzle_id": "n-040-1",
        "material_id": "pla-grey",
        "bead_width_mm": 0.44,
        "layer_height_mm": 0.2,
        "accepted": True,
        "extruded_cm3": 8.0,
    } | changes


def pointers(answer):
    assert answer.status_code == 422, answer.text
    return [one["pointer"] for one in answer.json["errors"]]


def query_hours(api):
    return api.post("/v1/routing-queries", bodies.job()).json["routing"]["chosen"]["print_h"]


def test_an_outcome_of_a_job_is_learnt_and_read_back(routed):
    answer = routed.post("/v1/outcomes", good(routed))
    assert (answer.status_code, answer.json["state"], answer.json["flags"]) == (201, "learnt", [])
    path = answer.headers["Location"]
    read = routed.get(path)
    assert (read.json, read.headers["ETag"]) == (answer.json, '"1"')
    assert routed.get(path, If_None_Match='"1"').status_code == 304
    assert (
        read.json["expected"]["model_version"] == routed.get(f"{routed.path}/routing").json["routing"]["model_version"]
    )
    assert read.json["sizes"][0]["expected_probability"] > 0
    assert [one["kind"] for one in routed.get(f"{path}/history").json["items"]] == ["outcome.learnt"]


def test_an_outcome_moves_the_next_routing_of_its_pairing_and_its_withdrawal_moves_it_back(routed):
    before = query_hours(routed)
    slow = routed.post("/v1/outcomes", good(routed, print_h=1.1 * before))
    after = query_hours(routed)
    assert before < after < 1.1 * before
    routed.post(f"{slow.headers['Location']}/withdrawal", {"reason": "Wrong machine"}, If_Match='"1"')
    assert query_hours(routed) == before
    assert routed.get("/v1/evidence").json["items"] == []


def test_an_old_routing_still_says_what_it_said(routed):
    before = routed.get(f"{routed.path}/routing").json["routing"]
    routed.made("/v1/outcomes", good(routed, print_h=1.1 * routed.chosen["print_h"]))
    assert routed.get(f"{routed.path}/routing").json["routing"] == before


def test_out_of_line_is_flagged_with_the_reason_and_learnt_when_confirmed(routed):
    answer = routed.post("/v1/outcomes", good(routed, sizes=[{"name": "pin bore", "measured_mm": 8.4}]))
    path = answer.headers["Location"]
    assert (answer.status_code, answer.json["state"]) == (201, "flagged")
    assert "another feature" in answer.json["flags"][0]
    assert routed.get("/v1/evidence").json["items"] == []
    assert [one["id"] for one in routed.get("/v1/outcomes?state=flagged").json["items"]] == [answer.json["id"]]

    stale = routed.post(f"{path}/confirmation", {}, If_Match='"7"')
    assert stale.status_code == 412
    confirmed = routed.post(f"{path}/confirmation", {"reason": "Measured twice"}, If_Match='"1"')
    assert (confirmed.json["state"], confirmed.headers["ETag"]) == ("confirmed", '"2"')
    assert len(routed.get("/v1/evidence").json["items"]) == 2
    assert routed.get(f"{path}/history").json["items"][1]["data"]["reason"] == "Measured twice"
    assert routed.post(f"{path}/confirmation", {}).status_code == 409


def test_a_print_that_was_no_job_teaches_too(shop):
    hole = {"name": "any", "kind": "hole", "nominal_mm": 6, "measured_mm": 5.9}
    answer = shop.post("/v1/outcomes", free(clogs=1, sizes=[hole]))
    assert (answer.status_code, answer.json["state"], answer.json["job_id"]) == (201, "learnt", "")
    assert answer.json["sizes"][0]["prior_mean_mm"] < 6
    whole, size = shop.get("/v1/evidence").json["items"]
    assert (whole["sums"]["clogs"], whole["sums"]["volume_ul"], whole["sums"]["timed"]) == (1, 8000, 0)
    assert (size["key"]["kind"], size["sums"]["sized"]) == ("hole", 1)


def test_a_job_printed_elsewhere_is_said_with_its_pairing_and_bead(routed):
    routed.made("/v1/machines", bodies.machine(id="birch", name="Birch"))
    elsewhere = good(routed, machine_id="birch")
    assert pointers(routed.post("/v1/outcomes", elsewhere)) == [
        "/nozzle_id",
        "/material_id",
        "/bead_width_mm",
        "/layer_height_mm",
    ]
    told = {"nozzle_id": "n-040-1", "material_id": "pla-grey", "bead_width_mm": 0.45, "layer_height_mm": 0.2}
    kept = routed.made("/v1/outcomes", elsewhere | told)
    assert (kept["machine_id"], kept["expected"], kept["sizes"][0]["lower_mm"]) == ("birch", None, 6.0)


def test_an_outcome_can_be_posted_again_under_its_key(routed):
    first, again = (routed.post("/v1/outcomes", good(routed), Idempotency_Key='"a-1"') for _ in range(2))
    assert (first.data, first.headers["ETag"]) == (again.data, again.headers["ETag"])
    assert again.headers["Location"] == first.headers["Location"]
    assert len(routed.get("/v1/outcomes").json["items"]) == 1
    assert routed.get("/v1/evidence").json["items"][0]["sums"]["prints"] == 1


def test_many_reports_at_once_all_count(routed):
    def report(number):
        return routed.app.test_client().post("/v1/outcomes", json=good(routed, note=f"copy {number}")).status_code

    with ThreadPoolExecutor(6) as pool:
        assert set(pool.map(report, range(30))) == {201}
    assert routed.get("/v1/evidence").json["items"][0]["sums"]["prints"] == 30


def test_filament_is_taken_off_the_spool_and_the_nozzle_s_life(shop):
    shop.made("/v1/materials", bodies.material(id="pla-glow", abrasive=1))
    shop.made("/v1/spools", bodies.spool(id="s-02", material_id="pla-glow"))
    path = shop.post("/v1/outcomes", free(material_id="pla-glow", spool_id="s-02")).headers["Location"]
    assert shop.get("/v1/nozzles/n-040-1").json["abrasive_cm3"] == 8.0
    assert shop.get("/v1/spools/s-02").json["remaining_g"] == pytest.approx(800 - 8.0 * 1.24)
    assert shop.get(path).json["spool_g"] == pytest.approx(8.0 * 1.24)
    shop.post(f"{path}/withdrawal", {})
    assert shop.get("/v1/nozzles/n-040-1").json["abrasive_cm3"] == 0
    assert shop.get("/v1/spools/s-02").json["remaining_g"] == 800


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"machine_id": "nobody"}, "/machine_id"),
        ({"nozzle_id": "nobody"}, "/nozzle_id"),
        ({"material_id": "nobody"}, "/material_id"),
        ({"spool_id": "nobody"}, "/spool_id"),
        ({"bead_width_mm": None}, "/bead_width_mm"),
        ({"layer_height_mm": 0.5}, "/layer_height_mm"),
        ({"accepted": False}, "/scrap_reason"),
        ({"scrap_reason": "warped"}, "/scrap_reason"),
        ({"accepted": False, "scrap_reason": "clog"}, "/clogs"),
        ({"clogs": -1}, "/clogs"),
        ({"print_h": 0}, "/print_h"),
        ({"extruded_cm3": "much"}, "/extruded_cm3"),
        ({"at": "2099-01-01T00:00:00Z"}, "/at"),
        ({"sizes": [{"name": "pin bore", "measured_mm": 6}]}, "/sizes/0/kind"),
        ({"sizes": [{"name": "x", "kind": "hole", "measured_mm": 6}]}, "/sizes/0/nominal_mm"),
        ({"surface": "fine"}, "/surface"),
    ],
)
def test_what_cannot_be_is_refused_where_it_stands(shop, changes, where):
    assert where in pointers(shop.post("/v1/outcomes", free(**changes)))
    assert shop.get("/v1/outcomes").json["items"] == []


def test_a_nozzle_that_does_not_fit_cannot_have_printed(shop):
    shop.made("/v1/nozzles", bodies.nozzle(id="n-other", fitting="short"))
    assert pointers(shop.post("/v1/outcomes", free(nozzle_id="n-other"))) == ["/nozzle_id"]


def test_an_unknown_job_and_an_unknown_size_are_refused_where_they_stand(routed):
    assert pointers(routed.post("/v1/outcomes", good(routed, job_id="nobody"))) == ["/job_id"]
    sizes = [{"name": "pin bore", "measured_mm": 6}, {"name": "slot", "measured_mm": 2}]
    answer = routed.post("/v1/outcomes", good(routed, sizes=sizes))
    assert pointers(answer) == ["/sizes/1/name"]
    assert answer.json["errors"][0]["allowed"] == "pin bore"


def test_a_refused_report_frees_its_key(routed):
    bad = routed.post("/v1/outcomes", good(routed, clogs=-1), Idempotency_Key='"a-2"')
    spool = routed.post("/v1/outcomes", good(routed, spool_id="nobody"), Idempotency_Key='"a-2"')
    assert (bad.status_code, spool.status_code) == (422, 422)
    assert routed.post("/v1/outcomes", good(routed), Idempotency_Key='"a-2"').status_code == 201


def test_outcomes_are_listed_newest_first_and_by_what_they_are_about(routed):
    of_job = routed.made("/v1/outcomes", good(routed))["id"]
    other = [routed.made("/v1/outcomes", free())["id"] for _ in range(3)]
    assert [one["id"] for one in routed.get("/v1/outcomes").json["items"]] == [*reversed(other), of_job]
    assert [one["id"] for one in routed.get(f"/v1/outcomes?job_id={routed.job_id}").json["items"]] == [of_job]
    assert routed.get("/v1/outcomes?machine_id=birch").json["items"] == []
    first = routed.get("/v1/outcomes?nozzle_id=n-040-1&limit=3")
    rest = routed.get(f"/v1/outcomes?nozzle_id=n-040-1&limit=3&cursor={first.json['next_cursor']}").json
    assert ([one["id"] for one in rest["items"]], rest["next_cursor"]) == ([of_job], None)
    assert routed.get("/v1/outcomes?state=lost").status_code == 422


@pytest.mark.parametrize("path", ["", "/history"])
def test_an_unknown_outcome_is_not_found(shop, path):
    assert shop.get(f"/v1/outcomes/nobody{path}").status_code == 404
    assert shop.post("/v1/outcomes/nobody/withdrawal", {}).status_code == 404


def test_an_old_calibration_counts_for_less(shop):
    """Ages count in routings that are stored and in queries alike: both are taken at the hour."""
    shop.made("/v1/calibrations", bodies.calibration(calibrated_at="2020-01-01T00:00:00Z", hole_allowance_mm=-0.1))
    asked = shop.post("/v1/routing-queries", bodies.job()).json["routing"]
    path = shop.made("/v1/jobs", bodies.job())["location"]
    tasks.drain_inbox(shop.stores, "test")
    stored = shop.get(f"{path}/routing").json["routing"]
    assert asked["as_of"] == stored["as_of"]
    assert asked["as_of"].endswith(":00:00Z")
    assert 0 < stored["chosen"]["grounds"]["calibration_weight"] < 0.01


def test_the_same_query_in_the_next_hour_is_worked_out_again(shop, monkeypatch):
    asked = shop.post("/v1/routing-queries", bodies.job()).json["routing"]["as_of"]
    later = time.time() + 3600.0
    monkeypatch.setattr("time.time", lambda: later)
    assert shop.post("/v1/routing-queries", bodies.job()).json["routing"]["as_of"] > asked


def test_an_outcome_is_held_against_the_model_version_of_its_routing(routed):
    """A routing of an older model goes on saying so, and the checks keep the versions apart."""
    name, client = routed.stores.keys.job(routed.job_id), routed.stores.client
    old = replace(from_json(client.hget(name, "routing"), Routing), model_version="0")
    client.hset(name, "routing", to_json(old))
    assert routed.get(f"{routed.path}/routing").json["routing"]["model_version"] == "0"
    kept = routed.made("/v1/outcomes", good(routed))
    assert kept["expected"]["model_version"] == "0"
    assert [one["model_version"] for one in routed.get("/v1/model-checks").json["items"]] == ["0"]
