"""Dispatch lists and claims over HTTP: from handing in to the printed part."""

from __future__ import annotations

from typing import Any

import pytest

from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from tests.store.dispatching import lapse_now
from workers import tasks

LIST = "/v1/machines/alder/dispatch-list"
CLAIM = {"machine_id": "alder", "claimant": "agent on alder", "lease_s": 60}


def handed_in(api: Caller, *names: str, **changes: Any) -> list[str]:
    job_ids = [api.made("/v1/jobs", bodies.job(name=name, **changes))["id"] for name in names]
    tasks.drain_and_bind(api.stores, "test")
    return job_ids


def names(api: Caller, path: str = LIST) -> list[str]:
    return [entry["name"] for entry in api.get(path).json["entries"]]


@pytest.fixture
def listed(shop: Caller) -> Caller:
    shop.job_ids = handed_in(shop, "a", "b", "c")  # type: ignore[attr-defined]
    return shop


def test_a_list_names_its_jobs_with_the_times_expected(listed: Caller) -> None:
    body = listed.get(LIST).json
    assert [entry["name"] for entry in body["entries"]] == ["a", "b", "c"]
    first, second, _ = body["entries"]
    assert first["start"]["expected_at"] <= first["finish"]["earliest_at"] < first["finish"]["expected_at"]
    assert first["finish"]["expected_at"] < first["finish"]["latest_at"]
    assert second["start"]["expected_at"] == first["finish"]["expected_at"]
    assert first["lateness_risk"] is None
    assert listed.get("/v1/machines/nowhere/dispatch-list").status_code == 404


def test_a_job_due_before_it_can_be_done_is_shown_as_late(shop: Caller) -> None:
    handed_in(shop, "late", due_at="2026-01-01T00:00:00Z")
    (entry,) = shop.get(LIST).json["entries"]
    assert entry["lateness_risk"] == pytest.approx(1.0)
    assert shop.get(LIST).json["cost"]["late_jobs"] == 1


def test_a_preview_tells_the_cost_and_changes_nothing(listed: Caller) -> None:
    body = {"job_id": listed.job_ids[2], "position": 1, "preview": True}  # type: ignore[attr-defined]
    answer = listed.post(f"{LIST}/moves", body)
    assert answer.status_code == 200
    assert answer.json["moved"] is False
    assert answer.json["before"]["alder"]["total"] == pytest.approx(answer.json["after"]["alder"]["total"])
    assert names(listed) == ["a", "b", "c"]


def test_a_move_needs_the_version_that_was_seen(listed: Caller) -> None:
    body = {"job_id": listed.job_ids[2], "position": 1}  # type: ignore[attr-defined]
    assert listed.post(f"{LIST}/moves", body).status_code == 428
    etag = listed.get(LIST).headers["ETag"]
    moved = listed.post(f"{LIST}/moves", body, If_Match=etag)
    assert (moved.status_code, moved.json["position"]) == (200, 1)
    assert names(listed) == ["c", "a", "b"]
    assert moved.headers["ETag"] == listed.get(LIST).headers["ETag"]
    assert listed.post(f"{LIST}/moves", body, If_Match=etag).status_code == 412


def test_a_pinned_job_is_not_passed(listed: Caller) -> None:
    body = {"job_id": listed.job_ids[0], "position": 1, "pinned": True}  # type: ignore[attr-defined]
    assert listed.post(f"{LIST}/moves", body, If_Match="*").status_code == 200
    handed_in(listed, "urgent", priority=100, due_at="2026-01-01T00:00:00Z")
    assert names(listed)[:2] == ["a", "urgent"]


def test_a_move_of_a_job_that_is_not_there_points_at_it(listed: Caller) -> None:
    answer = listed.post(f"{LIST}/moves", {"job_id": "unknown"}, If_Match="*")
    assert (answer.status_code, answer.json["errors"][0]["pointer"]) == (422, "/job_id")


def test_a_job_can_be_moved_to_another_machine_that_its_routing_allows(shop: Caller) -> None:
    shop.made("/v1/machines", bodies.machine(id="birch", name="Birch"))
    shop.made("/v1/nozzles", bodies.nozzle(id="n-040-2", machine_id="birch", slot=1))
    (job_id,) = handed_in(shop, "a")
    here = shop.get(f"/v1/jobs/{job_id}/copies").json["machine_id"]
    there = {"alder": "birch", "birch": "alder"}[here]
    answer = shop.post(
        f"/v1/machines/{here}/dispatch-list/moves", {"job_id": job_id, "machine_id": there}, If_Match="*"
    )
    assert answer.status_code == 200, answer.text
    assert set(answer.json["after"]) == {"alder", "birch"}
    assert names(shop, f"/v1/machines/{there}/dispatch-list") == ["a"]
    routing = shop.get(f"/v1/jobs/{job_id}/routing").json
    assert routing["routing"]["chosen"]["machine_id"] == there
    assert shop.get(f"/v1/jobs/{job_id}/history").json["items"][-1]["kind"] == "job.moved"


def test_a_job_is_not_moved_to_a_machine_without_a_candidate(listed: Caller) -> None:
    listed.made("/v1/machines", bodies.machine(id="birch", name="Birch"))
    body = {"job_id": listed.job_ids[0], "machine_id": "birch"}  # type: ignore[attr-defined]
    assert listed.post(f"{LIST}/moves", body, If_Match="*").status_code == 409


def test_from_claim_to_the_learnt_outcome(shop: Caller) -> None:
    (job_id,) = handed_in(shop, "a", quantity=2)
    claim = shop.made("/v1/claims", CLAIM)
    assert shop.get(f"/v1/jobs/{job_id}").json["state"] == "printing"
    assert shop.get(LIST).json["printing"]["id"] == claim["id"]
    assert shop.post(f"/v1/claims/{claim['id']}/renewal", {"progress": 0.5}).json["progress"] == 0.5

    finished = shop.post(f"/v1/claims/{claim['id']}/finish", {"accepted": True, "print_h": 0.7})

    assert finished.json["state"] == "finished"
    (outcome,) = shop.get(f"/v1/outcomes?job_id={job_id}").json["items"]
    assert (outcome["accepted"], outcome["print_h"], outcome["machine_id"]) == (True, 0.7, "alder")
    assert shop.get(f"/v1/jobs/{job_id}/copies").json["waiting"] == 1
    second = shop.made("/v1/claims", CLAIM)
    shop.post(f"/v1/claims/{second['id']}/finish", {"accepted": False, "scrap_reason": "clog", "clogs": 1})
    assert shop.get(f"/v1/jobs/{job_id}").json["state"] == "scrapped"
    assert len(shop.get(f"/v1/outcomes?job_id={job_id}").json["items"]) == 2


def test_the_same_finish_twice_is_one_outcome(shop: Caller) -> None:
    (job_id,) = handed_in(shop, "a")
    claim = shop.made("/v1/claims", CLAIM)
    path = f"/v1/claims/{claim['id']}/finish"
    first, second = (shop.post(path, {"accepted": True}) for _ in range(2))
    assert first.json == second.json
    assert shop.post(path, {"accepted": False}).status_code == 409
    assert len(shop.get(f"/v1/outcomes?job_id={job_id}").json["items"]) == 1


def test_an_outcome_whose_recording_was_cut_off_is_recorded_by_the_watch(
    shop: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    (job_id,) = handed_in(shop, "a")
    claim = shop.made("/v1/claims", CLAIM)
    with monkeypatch.context() as cut:
        cut.setattr(tasks, "record_outcome", lambda *_: None)
        shop.post(f"/v1/claims/{claim['id']}/finish", {"accepted": True})
    assert shop.get(f"/v1/outcomes?job_id={job_id}").json["items"] == []
    assert tasks.watch_claims(shop.stores)
    assert not tasks.watch_claims(shop.stores)
    assert len(shop.get(f"/v1/outcomes?job_id={job_id}").json["items"]) == 1


def test_a_claim_asked_for_twice_with_one_key_is_one_claim(listed: Caller) -> None:
    first, second = (listed.post("/v1/claims", CLAIM, Idempotency_Key='"shift-1"') for _ in range(2))
    assert (first.status_code, first.json) == (second.status_code, second.json)
    other = listed.post("/v1/claims", CLAIM | {"claimant": "another"}, Idempotency_Key='"shift-1"')
    assert other.status_code == 422


def test_what_a_claim_is_refused_for(shop: Caller) -> None:
    assert shop.post("/v1/claims", CLAIM).status_code == 204
    assert shop.post("/v1/claims", CLAIM | {"machine_id": "nowhere"}).status_code == 404
    assert shop.post("/v1/claims", CLAIM | {"lease_s": 0}).json["errors"][0]["pointer"] == "/lease_s"
    handed_in(shop, "a")
    shop.made("/v1/claims", CLAIM)
    busy = shop.post("/v1/claims", CLAIM)
    assert (busy.status_code, busy.json["type"]) == (409, "urn:borewright:problem:machine-busy")


def test_a_late_finish_is_refused_once_another_holds_the_copy(shop: Caller) -> None:
    handed_in(shop, "a")
    late = shop.made("/v1/claims", CLAIM)
    lapse_now(shop.stores, late["id"])
    shop.made("/v1/claims", CLAIM | {"claimant": "another"})
    answer = shop.post(f"/v1/claims/{late['id']}/finish", {"accepted": True})
    assert (answer.status_code, answer.json["type"]) == (409, "urn:borewright:problem:claim-over")


def test_a_size_that_the_job_does_not_ask_for_is_pointed_at(shop: Caller) -> None:
    handed_in(shop, "a")
    claim = shop.made("/v1/claims", CLAIM)
    body = {"accepted": True, "sizes": [{"name": "no such bore", "measured_mm": 5.0}]}
    answer = shop.post(f"/v1/claims/{claim['id']}/finish", body)
    assert (answer.status_code, answer.json["errors"][0]["pointer"]) == (422, "/sizes/0/name")
    assert shop.get(f"/v1/claims/{claim['id']}").json["state"] == "held"


def test_giving_back_and_listing(listed: Caller) -> None:
    claim = listed.made("/v1/claims", CLAIM)
    assert [one["id"] for one in listed.get("/v1/claims").json["items"]] == [claim["id"]]
    given = listed.post(f"/v1/claims/{claim['id']}/giving-back", {"reason": "the spool ran out"})
    assert (given.json["state"], given.json["reason"]) == ("given-back", "the spool ran out")
    assert listed.get("/v1/claims").json["items"] == []
    assert names(listed) == ["a", "b", "c"]
