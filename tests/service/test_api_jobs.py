"""Jobs over HTTP: kept and queued, followed, cancelled, tried again; once with one Idempotency-Key."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
import redis

from service.api import intake
from tests.service import api_bodies as bodies
from workers import tasks


def work(api):
    """Do what a worker does when the bell rings."""
    return tasks.drain_inbox(api.stores, "test")


def test_a_job_is_kept_queued_routed_and_explained(shop):
    handed_in = shop.post("/v1/jobs", bodies.job())
    path = handed_in.headers["Location"]
    assert (handed_in.status_code, handed_in.json["state"]) == (202, "accepted")
    assert path == handed_in.json["location"] == f"/v1/jobs/{handed_in.json['id']}"
    assert shop.stores.inbox.waiting() == 1

    waiting = shop.get(f"{path}/routing")
    assert (waiting.status_code, waiting.json["state"]) == (202, "accepted")
    assert int(waiting.headers["Retry-After"]) >= 1

    assert work(shop) == 1
    assert shop.get(path).json["state"] == "routed"
    answer = shop.get(f"{path}/routing")
    assert answer.status_code == 200
    assert answer.json["routing"]["chosen"]["machine_id"] == "alder"
    assert answer.json["explanation"]["headline"]
    kinds = [entry["kind"] for entry in shop.get(f"{path}/history").json["items"]]
    assert kinds == ["job.accepted", "job.routed"]


def test_accepting_a_job_rings_for_a_worker(shop):
    shop.post("/v1/jobs", bodies.job())
    assert shop.stores.client.llen(f"rq:queue:{tasks.ROUTING_QUEUE}") == 1


def test_a_job_is_kept_though_the_bell_does_not_ring(shop, monkeypatch):
    def silent(stores):
        raise redis.ConnectionError("no answer")

    monkeypatch.setattr(intake.tasks, "ring", silent)
    assert shop.post("/v1/jobs", bodies.job()).status_code == 202
    assert shop.stores.inbox.waiting() == 1


def test_a_job_reads_back_as_it_was_handed_in(shop):
    body = bodies.job(due_at="2026-05-08T18:00:00+02:00", quantity=4, use={"load_bearing": True})
    read = shop.get(shop.made("/v1/jobs", body)["location"]).json["spec"]
    assert (read["name"], read["quantity"], read["use"]["load_bearing"]) == ("Drawer guide, left", 4, True)
    assert read["due_at"] == "2026-05-08T16:00:00Z"
    assert shop.post("/v1/jobs", read).status_code == 202


def test_a_tolerance_takes_what_its_feature_says(shop):
    read = shop.get(shop.made("/v1/jobs", bodies.job())["location"]).json["spec"]["tolerances"]
    assert [(one["kind"], one["nominal_mm"], one["facets"], one["iso286"]) for one in read] == [("hole", 6, 64, "H11")]


def test_the_version_is_the_etag_of_a_job(shop):
    path = shop.made("/v1/jobs", bodies.job())["location"]
    seen = shop.get(path)
    assert shop.get(path, If_None_Match=seen.headers["ETag"]).status_code == 304
    work(shop)
    assert shop.get(path, If_None_Match=seen.headers["ETag"]).status_code == 200


def test_a_job_is_cancelled_once(shop):
    path = shop.made("/v1/jobs", bodies.job())["location"]
    assert shop.post(f"{path}/cancellation", {}, If_Match='"9"').status_code == 412
    cancelled = shop.post(f"{path}/cancellation", {"reason": "Order withdrawn"}, If_Match='"1"')
    assert (cancelled.status_code, cancelled.json["state"], cancelled.json["reason"]) == (
        200,
        "cancelled",
        "Order withdrawn",
    )
    assert shop.post(f"{path}/cancellation", {}).status_code == 409
    assert shop.post(f"{path}/retry").status_code == 409
    assert work(shop) == 0
    no_routing = shop.get(f"{path}/routing")
    assert (no_routing.status_code, "Order withdrawn" in no_routing.json["detail"]) == (409, True)


def test_a_job_that_nothing_can_print_is_tried_again_when_the_shop_has_changed(shop):
    shop.put("/v1/machines/alder/state", {"state": "down", "reason": "Bed heater"}, If_Match="*")
    path = shop.made("/v1/jobs", bodies.job())["location"]
    work(shop)
    assert shop.get(path).json["state"] == "unroutable"
    assert shop.get(f"{path}/routing").json["routing"]["refused"][0]["gate"] == "machine-up"
    shop.put("/v1/machines/alder/state", {"state": "up"}, If_Match="*")
    again = shop.post(f"{path}/retry")
    assert (again.status_code, again.json["state"], again.json["attempt"]) == (202, "accepted", 2)
    work(shop)
    assert shop.get(path).json["state"] == "routed"


def test_jobs_are_listed_newest_first_and_by_state(shop):
    made = [shop.made("/v1/jobs", bodies.job(name=f"Tag {number}"))["id"] for number in range(5)]
    shop.post(f"/v1/jobs/{made[2]}/cancellation", {})
    first = shop.get("/v1/jobs?limit=3").json
    second = shop.get(f"/v1/jobs?limit=3&cursor={first['next_cursor']}").json
    assert [one["id"] for one in first["items"] + second["items"]] == made[::-1]
    assert second["next_cursor"] is None
    assert [one["id"] for one in shop.get("/v1/jobs?state=cancelled").json["items"]] == [made[2]]
    assert shop.get("/v1/jobs?state=lost").status_code == 422


def test_an_unknown_job_is_not_found(shop):
    for path in ("", "/routing", "/history"):
        assert shop.get(f"/v1/jobs/none{path}").status_code == 404
    assert shop.post("/v1/jobs/none/retry").status_code == 404
    assert shop.post("/v1/jobs/none/cancellation", {}).status_code == 404


def test_the_same_key_and_body_make_one_job(shop):
    first = shop.post("/v1/jobs", bodies.job(), Idempotency_Key='"order-118"')
    again = shop.post("/v1/jobs", bodies.job(), Idempotency_Key="order-118")
    assert (first.status_code, first.data, first.headers["Location"], first.headers["ETag"]) == (
        again.status_code,
        again.data,
        again.headers["Location"],
        again.headers["ETag"],
    )
    assert len(shop.get("/v1/jobs").json["items"]) == 1


def test_the_same_key_with_another_body_is_refused(shop):
    shop.post("/v1/jobs", bodies.job(), Idempotency_Key='"order-118"')
    other = shop.post("/v1/jobs", bodies.job(quantity=2), Idempotency_Key='"order-118"')
    assert (other.status_code, other.json["type"]) == (422, "urn:borewright:problem:idempotency-key-reused")


def test_a_refused_request_frees_its_key(shop):
    unknown = bodies.job(material={"material_ids": ["unobtainium"]})
    assert shop.post("/v1/jobs", unknown, Idempotency_Key='"order-118"').status_code == 422
    assert shop.post("/v1/jobs", bodies.job(), Idempotency_Key='"order-118"').status_code == 202


def test_a_lost_answer_of_the_store_keeps_the_key(shop, monkeypatch):
    """Whether the write was carried out is unknown then; carrying it out again could make a second job."""

    def lost(*args, **kwargs):
        raise redis.TimeoutError("no answer")

    with monkeypatch.context() as patch:
        patch.setattr(type(shop.stores.jobs), "hand_in", lost)
        assert shop.post("/v1/jobs", bodies.job(), Idempotency_Key='"order-118"').status_code == 503
    assert shop.post("/v1/jobs", bodies.job(), Idempotency_Key='"order-118"').status_code == 409


def test_many_at_once_with_one_key_make_one_job(shop):
    def hand_in(_):
        with shop.app.test_client() as client:
            return client.post("/v1/jobs", json=bodies.job(), headers={"Idempotency-Key": '"order-118"'}).status_code

    with ThreadPoolExecutor(8) as pool:
        statuses = list(pool.map(hand_in, range(24)))
    assert set(statuses) <= {202, 409}
    assert 202 in statuses
    assert len(shop.get("/v1/jobs").json["items"]) == 1


@pytest.mark.parametrize("key", ["", '""', '"open', 'a"b\x7f', "two words", "x" * 256])
def test_what_is_no_key_is_refused(shop, key):
    answer = shop.post("/v1/jobs", bodies.job(), Idempotency_Key=key)
    assert (answer.status_code, shop.stores.inbox.waiting()) == (400, 0)


def test_past_the_inbox_limit_nothing_is_accepted(make_api):
    api = make_api(inbox_limit=1).stocked()
    assert api.post("/v1/jobs", bodies.job()).status_code == 202
    full = api.post("/v1/jobs", bodies.job())
    assert (full.status_code, int(full.headers["Retry-After"]) > 0) == (503, True)
    batch = api.post("/v1/job-batches", {"jobs": [bodies.job()]})
    assert (batch.status_code, len(api.get("/v1/jobs").json["items"])) == (503, 1)
