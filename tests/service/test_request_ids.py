"""One id from the caller through the answer, the log, the job and its events to the worker's log."""

from __future__ import annotations

import logging

import pytest

from service.log import _OfRequest
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from tests.service.test_api_problems import failing
from workers.tasks.routing import drain_inbox

# The example of W3C Trace Context, section 3.2.2.
TRACE = "0af7651916cd43dd8448eb211c80319c"
PARENT = f"00-{TRACE}-b7ad6b7169203331-01"


def told(caller: Caller, **headers: str) -> str:
    return caller.get("/v1/machines", **headers).headers["X-Request-Id"]


def test_an_id_is_taken_or_made(api: Caller) -> None:
    assert told(api, X_Request_Id="order-118.a:3_b") == "order-118.a:3_b"
    assert told(api, traceparent=PARENT) == TRACE
    assert told(api, traceparent=PARENT, X_Request_Id="mine") == "mine"
    assert len(told(api)) == 32
    assert told(api) != told(api)


@pytest.mark.parametrize(
    "headers",
    [
        {"X_Request_Id": "a b"},
        {"X_Request_Id": "x" * 65},
        {"X_Request_Id": 'a"b'},
        {"traceparent": f"ff-{TRACE}-b7ad6b7169203331-01"},  # section 3.2.2.1: version ff is invalid
        {"traceparent": f"00-{'0' * 32}-b7ad6b7169203331-01"},  # section 3.2.2.3: all zeroes are invalid
        {"traceparent": f"00-{TRACE}-{'0' * 16}-01"},
        {"traceparent": PARENT.upper()},
        {"traceparent": "nothing"},
    ],
    ids=str,
)
def test_what_is_no_id_is_passed_over(api: Caller, headers: dict[str, str]) -> None:
    made = told(api, **headers)
    assert len(made) == 32
    assert made not in "".join(headers.values()).lower()


def test_refusals_and_failures_have_one_too(api: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    assert api.get("/v1/nothing", X_Request_Id="r-1").headers["X-Request-Id"] == "r-1"
    assert api.post("/v1/jobs", {}, X_Request_Id="r-2").headers["X-Request-Id"] == "r-2"
    monkeypatch.setattr(type(api.stores.fleet), "get", failing(ValueError("x")))
    failed = api.get("/v1/machines/alder", X_Request_Id="r-3")
    assert (failed.status_code, failed.json["request_id"], failed.headers["X-Request-Id"]) == (500, "r-3", "r-3")


def test_it_goes_with_the_job_to_its_events_and_to_the_worker_s_log(
    shop: Caller, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    caplog.handler.addFilter(_OfRequest())
    job_id = shop.post("/v1/jobs", bodies.job(), X_Request_Id="r-1").json["id"]
    batch = shop.post("/v1/job-batches", {"jobs": [bodies.job(), bodies.job()]}, X_Request_Id="r-2").json["items"]
    drain_inbox(shop.stores, "test")
    assert shop.get(f"/v1/jobs/{job_id}").json["request_id"] == "r-1"
    events = [one for one in shop.get("/v1/events").json["items"] if one["subject"] == f"job/{job_id}"]
    assert {one["kind"]: one["data"]["request_id"] for one in events} == {"job.accepted": "r-1", "job.routed": "r-1"}
    assert f"jobs accepted count=1 job_ids={job_id} request_id=r-1" in caplog.text
    assert f"jobs scored routed=1 job_ids={job_id} request_id=r-1" in caplog.text
    ids = ",".join(one["id"] for one in batch)
    assert f"jobs scored routed=2 job_ids={ids} request_id=r-2" in caplog.text


def test_nothing_is_left_of_it_for_the_next_request(shop: Caller, caplog: pytest.LogCaptureFixture) -> None:
    shop.post("/v1/jobs", bodies.job(), X_Request_Id="r-1")
    shop.stores.jobs.accept([shop.stores.jobs.get(shop.stores.jobs.page().items[0].id).spec])
    assert [one.request_id for one in shop.stores.jobs.page().items] == ["", "r-1"]
