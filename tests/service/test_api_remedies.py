"""What would help a job, over HTTP: worked out on reading, kept while the shop stands."""

from __future__ import annotations

from typing import Any

import pytest

from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from workers import tasks
from workers.tasks import drain_inbox

FINE = bodies.job(tolerances=[], critical=[{"name": "stroke", "kind": "rib", "size_mm": 0.3}])
WEAK = bodies.job()  # an H11 hole of 6 mm comes out too small from a 0.4 mm bore


def routed(api: Caller, body: Any) -> str:
    job_id = api.made("/v1/jobs", body)["id"]
    drain_inbox(api.stores, "test")
    return str(job_id)


def test_an_unroutable_job_s_remedies_are_not_stored_but_read(shop: Caller) -> None:
    job_id = routed(shop, FINE)
    stored = shop.stores.jobs.routing(job_id)
    assert stored is not None
    assert stored.remedies == ()
    said = shop.get(f"/v1/jobs/{job_id}/routing").json
    assert any("0.3 mm nozzle" in one["change"] for one in said["routing"]["remedies"])
    assert any("0.3 mm nozzle" in one for one in said["explanation"]["remedies"])
    # and a query is answered as the job
    query = shop.post("/v1/routing-queries", FINE).json
    assert query["routing"]["remedies"] == said["routing"]["remedies"]


def test_the_changes_are_tried_once_a_shop_revision(shop: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[int] = []
    real = tasks.remedies_now

    def counted(*args: Any) -> Any:
        tried.append(args[0].revision)
        return real(*args)

    monkeypatch.setattr(tasks, "remedies_now", counted)
    job_id = routed(shop, FINE)
    assert tried == []
    first, second = (shop.get(f"/v1/jobs/{job_id}/routing").data for _ in range(2))
    assert first == second
    assert len(tried) == 1
    shop.made("/v1/nozzles", bodies.nozzle(id="n-020", bore_mm=0.2, machine_id="alder", slot=2))
    third = shop.get(f"/v1/jobs/{job_id}/routing").json
    assert len(set(tried)) == 2
    [remedy] = third["routing"]["remedies"]
    assert remedy["change"] == "Route the job again: the shop has changed"


def test_a_weak_routing_says_what_would_better_it_and_by_how_much(shop: Caller) -> None:
    job_id = routed(shop, WEAK)
    routing = shop.get(f"/v1/jobs/{job_id}/routing").json["routing"]
    body = shop.get(f"/v1/jobs/{job_id}/remedies").json
    assert routing["chosen"]["scores"]["fit"] < body["weak_below"]
    best = body["items"][0]
    assert best["now"] == routing["chosen"]["scores"]
    assert best["then"]["fit"] > best["now"]["fit"]
    assert best["gain"] == max(one["gain"] for one in body["items"])
    assert any(sentence.startswith("Draw 'pin bore' at 6.") for sentence in body["sentences"])
    assert shop.get(f"/v1/jobs/{job_id}/remedies").json == body
    page = shop.get(f"/jobs/{job_id}").text
    assert "What would make it better" in page
    assert "Draw &#39;pin bore&#39; at 6." in page


def test_a_sound_routing_needs_nothing_and_a_waiting_job_has_nothing_yet(shop: Caller) -> None:
    job_id = routed(shop, bodies.job(tolerances=[]))
    assert shop.get(f"/v1/jobs/{job_id}/remedies").json["items"] == []
    waiting = shop.made("/v1/jobs", bodies.job())["id"]
    assert shop.get(f"/v1/jobs/{waiting}/remedies").status_code == 409
    assert shop.get("/v1/jobs/nothing/remedies").status_code == 404
