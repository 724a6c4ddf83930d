"""Batches of jobs: a result for each, the good ones kept in one step."""

from __future__ import annotations

from tests.service import api_bodies as bodies


def test_good_jobs_are_kept_and_bad_ones_told(shop):
    jobs = [
        bodies.job(name="Tag 1"),
        bodies.job(quantity=0),
        bodies.job(name="Tag 2"),
        "no job",
        bodies.job(material={"material_ids": ["x"]}),
    ]
    answer = shop.post("/v1/job-batches", {"jobs": jobs})
    assert (answer.status_code, answer.json["accepted"], answer.json["refused"]) == (202, 2, 3)
    items = answer.json["items"]
    assert [(one["index"], one["status"]) for one in items] == [(0, 202), (1, 422), (2, 202), (3, 422), (4, 422)]
    assert [shop.get(items[index]["location"]).json["spec"]["name"] for index in (0, 2)] == ["Tag 1", "Tag 2"]
    assert items[1]["problem"]["errors"][0]["pointer"] == "/quantity"
    assert items[4]["problem"]["errors"][0]["pointer"] == "/material/material_ids/0"
    assert shop.stores.inbox.waiting() == 2


def test_jobs_of_a_batch_keep_their_order(shop):
    answer = shop.post("/v1/job-batches", {"jobs": [bodies.job(name=f"Tag {n}") for n in range(30)]})
    ids = [one["id"] for one in answer.json["items"]]
    assert ids == sorted(ids)


def test_a_batch_with_no_good_job_is_refused_with_pointers_into_it(shop):
    answer = shop.post("/v1/job-batches", {"jobs": [bodies.job(quantity=0), bodies.job(infill=2)]})
    assert answer.status_code == 422
    assert [one["pointer"] for one in answer.json["errors"]] == ["/jobs/0/quantity", "/jobs/1/infill"]
    assert shop.stores.inbox.waiting() == 0


def test_a_batch_has_a_limit(make_api):
    api = make_api(batch_limit=3).stocked()
    answer = api.post("/v1/job-batches", {"jobs": [bodies.job()] * 4})
    assert (answer.status_code, answer.json["errors"]) == (
        422,
        [{"pointer": "/jobs", "detail": "it has 4 jobs", "allowed": "1 to 3 jobs"}],
    )
    assert api.post("/v1/job-batches", {"jobs": []}).status_code == 422
    assert api.post("/v1/job-batches", {"job": [bodies.job()]}).status_code == 422
    assert api.post("/v1/job-batches", {"jobs": [bodies.job()] * 3}).status_code == 202


def test_a_batch_with_one_key_is_kept_once(shop):
    body = {"jobs": [bodies.job(), bodies.job(quantity=0)]}
    first = shop.post("/v1/job-batches", body, Idempotency_Key='"monday"')
    again = shop.post("/v1/job-batches", body, Idempotency_Key='"monday"')
    assert (first.status_code, first.data) == (again.status_code, again.data)
    assert shop.stores.inbox.waiting() == 1
