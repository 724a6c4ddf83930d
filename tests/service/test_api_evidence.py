"""What was learnt, how well it foretold, and what is worth measuring, over HTTP."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from tests.service import api_bodies as bodies
from tests.service.test_api_outcomes import free, good, routed
from workers import tasks

__all__ = ["routed"]


def test_evidence_says_what_was_observed_and_what_is_believed(routed):
    hours = routed.chosen["print_h"]
    for factor in (1.04, 1.05, 1.06):
        routed.made("/v1/outcomes", good(routed, print_h=factor * hours))
    whole, size = routed.get("/v1/evidence").json["items"]

    observed, believed = whole["posterior"]["observed"], whole["posterior"]["prints"]
    # The geometric mean of the three ratios, by the general library.
    assert observed["time_factor"] == pytest.approx(stats.gmean([1.04, 1.05, 1.06]), rel=1e-5)
    assert 1.0 < believed["time_factor_low"] < believed["time_factor"] < observed["time_factor"]
    assert believed["clogs_per_litre_low"] < believed["clogs_per_litre"] < believed["clogs_per_litre_high"]
    assert believed["clogs_per_litre"] < believed["prior_clogs_per_litre"]  # three prints without one
    assert whole["posterior"]["size"] is None

    assert size["key"]["kind"] == "hole"
    said = size["posterior"]["size"]
    assert said["nominal_mm"] == 10.0
    assert said["size_low_mm"] < said["size_mm"] < said["size_high_mm"]
    assert size["posterior"]["observed"]["size_sd_mm"] == 0.0


def test_the_believed_clog_rate_is_the_gamma_posterior(shop):
    """Gamma prior, Poisson counts: the mean is (a + clogs) / (b + volume); quantiles by the general library."""
    shop.made("/v1/outcomes", free(clogs=2, extruded_cm3=100.0))
    believed = shop.get("/v1/evidence").json["items"][0]["posterior"]["prints"]
    prior = believed["prior_clogs_per_litre"]
    worth = max(0.5, 0.1 / prior)  # litres that the prior is worth (engineering prior of the clog model)
    after = stats.gamma(prior * worth + 2, scale=1.0 / (worth + 0.1))
    assert believed["clogs_per_litre"] == pytest.approx(after.mean())
    assert believed["clogs_per_litre_low"] == pytest.approx(after.ppf(0.05))
    assert believed["clogs_per_litre_high"] == pytest.approx(after.ppf(0.95))


def test_evidence_is_filtered_and_paged(routed):
    routed.made("/v1/machines", bodies.machine(id="birch", name="Birch"))
    for machine_id in ("alder", "birch"):
        hole = {"name": "any", "kind": "hole", "nominal_mm": 6, "measured_mm": 5.9}
        routed.made("/v1/outcomes", free(machine_id=machine_id, sizes=[hole]))
    keys = [one["key"] for one in routed.get("/v1/evidence").json["items"]]
    assert [(key["machine_id"], key["kind"]) for key in keys] == [
        ("alder", None),
        ("alder", "hole"),
        ("birch", None),
        ("birch", "hole"),
    ]
    assert len(routed.get("/v1/evidence?machine_id=birch").json["items"]) == 2
    assert len(routed.get("/v1/evidence?kind=hole&material_id=pla-grey").json["items"]) == 2
    seen, path = [], "/v1/evidence?limit=3"
    page = routed.get(path).json
    seen += page["items"]
    seen += routed.get(f"{path}&cursor={page['next_cursor']}").json["items"]
    assert [one["key"] for one in seen] == keys


@pytest.mark.parametrize("cursor", ["YQ", "%20", "YS9iL2MveC8v"])
def test_a_cursor_of_somebody_s_own_making_is_refused(shop, cursor):
    answer = shop.get(f"/v1/evidence?cursor={cursor}")
    assert (answer.status_code, answer.json["errors"][0]["parameter"]) == (422, "cursor")


def test_evidence_of_a_nozzle_that_has_gone_is_still_there(shop):
    shop.made("/v1/outcomes", free(nozzle_id="n-040-1"))
    shop.client.delete("/v1/nozzles/n-040-1/mounting", headers={"If-Match": "*"})
    assert shop.delete("/v1/nozzles/n-040-1", If_Match="*").status_code == 204
    [one] = shop.get("/v1/evidence").json["items"]
    assert (one["sums"]["prints"], one["posterior"]["prints"]) == (1, None)


def test_model_checks_compare_what_was_foretold_with_what_happened(routed):
    """Brier score: the mean square of (foretold - came true), worked out here from the outcomes themselves."""
    middle = routed.chosen["fits"][0]["mean_mm"]
    lower = routed.chosen["fits"][0]["lower_mm"]
    kept = [
        routed.made("/v1/outcomes", good(routed, sizes=[{"name": "pin bore", "measured_mm": size}]))
        for size in (middle, middle + 0.01, lower - 0.001)
    ]
    withdrawn = routed.made("/v1/outcomes", good(routed))
    routed.post(f"/v1/outcomes/{withdrawn['id']}/withdrawal", {})

    answer = routed.get("/v1/model-checks").json
    assert (answer["outcomes"], answer["complete"]) == (3, True)
    [check] = answer["items"]
    came_true = [one["sizes"][0]["measured_mm"] >= lower for one in kept]
    foretold = [one["sizes"][0]["expected_probability"] for one in kept]
    brier = math.fsum((p - seen) ** 2 for p, seen in zip(foretold, came_true, strict=True)) / 3
    assert (check["fit"]["n"], check["fit"]["brier"]) == (3, pytest.approx(brier))
    assert (check["clog"]["observed"], check["time"]["n"]) == (0.0, 3)
    assert sum(one["n"] for one in check["fit"]["bins"]) == 3


def test_model_checks_look_at_the_time_asked_for(routed):
    routed.made("/v1/outcomes", good(routed, at="2026-03-01T12:00:00Z"))
    routed.made("/v1/outcomes", good(routed, at="2026-04-01T12:00:00Z"))
    assert routed.get("/v1/model-checks?since=2026-03-15T00:00:00Z").json["outcomes"] == 1
    assert routed.get("/v1/model-checks?until=2026-03-01T12:00:00Z").json["outcomes"] == 0
    assert routed.get("/v1/model-checks?model_version=none").json["items"] == []
    assert routed.get("/v1/model-checks?since=yesterday").status_code == 422


@pytest.fixture
def two(routed):
    """The same shop with a second nozzle that could print the job as well."""
    routed.made(
        "/v1/nozzles", bodies.nozzle(id="n-050-1", name="0.5 brass, first", bore_mm=0.5, machine_id="alder", slot=2)
    )
    return routed


def test_what_is_worth_measuring_is_said_for_a_job(two):
    answer = two.get(f"{two.path}/value-of-information")
    assert answer.status_code == 200
    items = answer.json["items"]
    assert items
    assert [one["gain"] for one in items] == sorted((one["gain"] for one in items), reverse=True)
    assert all(0 < one["chance_of_change"] <= 1 for one in items)
    assert {one["nozzle_id"] for one in items} <= {"n-040-1", "n-050-1"}
    assert len(answer.json["sentences"]) == len(items)
    assert "Alder, by the window" in answer.json["sentences"][0]


def test_nothing_is_worth_measuring_where_there_is_no_choice(routed):
    assert routed.get(f"{routed.path}/value-of-information").json["items"] == []


def test_a_query_says_it_too_where_it_is_asked(two):
    plain = two.post("/v1/routing-queries", bodies.job())
    asked = two.post("/v1/routing-queries?information=true", bodies.job())
    assert "information" not in plain.json
    assert asked.json["routing"] == plain.json["routing"]
    assert asked.json["information"] == two.get(f"{two.path}/value-of-information").json
    assert two.post("/v1/routing-queries?information=false", bodies.job()).data == plain.data


@pytest.mark.parametrize(("query", "name"), [("information=1", "information"), ("informed=true", "informed")])
def test_a_query_parameter_that_is_not_there_is_refused(shop, query, name):
    answer = shop.post(f"/v1/routing-queries?{query}", bodies.job())
    assert (answer.status_code, answer.json["errors"][0]["parameter"]) == (422, name)


def test_a_job_without_a_routing_has_nothing_to_be_surer_of(shop):
    path = shop.made("/v1/jobs", bodies.job())["location"]
    assert shop.get(f"{path}/value-of-information").status_code == 409
    assert shop.get("/v1/jobs/nobody/value-of-information").status_code == 404
    tasks.drain_inbox(shop.stores, "test")
    assert shop.get(f"{path}/value-of-information").status_code == 200


def test_the_models_are_explained(shop):
    listed = shop.get("/v1/models").json
    assert {"detail", "fit", "clog", "time"} <= {one["id"] for one in listed["items"]}
    for one in listed["items"]:
        assert one["formula"] or one["says"]
        read = shop.get(f"/v1/models/{one['id']}").json
        assert read == {"model_version": listed["model_version"], "page": one}
    missing = shop.get("/v1/models/taste")
    assert (missing.status_code, "fit, clog" in missing.json["detail"]) == (404, True)


def test_a_routing_says_the_model_version_that_is_listed(shop):
    routing = shop.post("/v1/routing-queries", bodies.job()).json["routing"]
    assert routing["model_version"] == shop.get("/v1/models").json["model_version"]
