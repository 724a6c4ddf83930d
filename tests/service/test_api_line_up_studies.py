"""Line-up studies over HTTP: asked for, followed, stopped, refused; and their report."""

from __future__ import annotations

import csv
import io
import re
import time
from typing import Any

import pytest

from service.pages.guard import HEADERS
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from tests.service.page_reader import read
from workers import tasks
from workers.model.long_task import LongTask
from workers.store.stores import Stores
from workers.tasks import long_tasks
from workers.tasks.long_tasks import Hand

PATH = "/v1/line-up-studies"
PLAIN = bodies.job(tolerances=[])
FINE = bodies.job(name="Name plate", tolerances=[], critical=[{"name": "stroke", "kind": "rib", "size_mm": 0.3}])
OFFER = {"name": "0.3 brass", "bore_mm": 0.3, "tip": "brass", "fitting": "m6-long", "price": 20}
ASKED = {
    "name": "Is a 0.3 worth it?",
    "source": "forecast",
    "forecast": [{"job": PLAIN | {"quantity": 4}, "count": 5}, {"job": FINE, "count": 8}],
    "offers": [OFFER],
    "prices": {"outside_each": 60},
    "time_limit_s": 20,
}


def studied(api: Caller, **changes: Any) -> dict[str, Any]:
    made = api.made(PATH, ASKED | changes)
    assert tasks.run_next(api.stores, "planner") == f"line-up-study/{made['id']}"
    return dict(api.get(made["location"]).json)


def test_a_study_is_kept_and_queued_and_done_by_a_worker(shop: Caller) -> None:
    answer = shop.post(PATH, ASKED)
    assert answer.status_code == 202
    assert answer.headers["Location"] == f"{PATH}/{answer.json['id']}"
    assert shop.stores.client.llen(f"rq:queue:{tasks.PLANNING_QUEUE}") == 1
    assert shop.get(answer.json["location"]).json["result"] is None
    tasks.run_next(shop.stores, "planner")
    done = shop.get(answer.json["location"])
    assert (done.json["state"], done.json["percent"], done.json["name"]) == ("done", 100.0, ASKED["name"])
    assert shop.get(answer.json["location"], If_None_Match=done.headers["ETag"]).status_code == 304
    history = shop.get(f"{answer.json['location']}/history").json["items"]
    assert [line["kind"].rpartition(".")[2] for line in history] == ["waiting", "running", "done"]
    [listed] = shop.get(PATH).json["items"]
    assert listed["id"] == answer.json["id"]
    assert "result" not in listed


def test_a_bore_that_the_jobs_need_is_bought_and_breaks_even_above_its_price(shop: Caller) -> None:
    result = studied(shop)["result"]
    assert result["proved"]
    assert (result["jobs"], result["copies"]) == (13, 28)
    assert [(one["nozzle"], one["is_new"]) for one in result["best"]["mounted"]] == [
        ("0.4 brass, first", False),
        ("0.3 brass", True),
    ]
    assert result["today"]["copies_outside"] == pytest.approx(8.0)
    assert result["best"]["copies_outside"] == pytest.approx(0.0)
    [offer] = result["offers"]
    assert offer["pays"]
    assert offer["bought"] == 1
    # with one offer, proved: what it saves beyond its price and its change is what it may cost
    windows = 4380.0 / 168.0
    cost = result["best"]["costs"]
    saved = result["today"]["costs"]["total"] - cost["total"] + cost["purchase"]
    assert offer["break_even"] == pytest.approx(saved * windows, rel=1e-4)
    assert cost["purchase"] == pytest.approx(20.0 / windows)
    assert result["saving"]["low"] <= result["saving"]["expected"] <= result["saving"]["high"]
    assert result["deciding"][0]["name"] == "Name plate"
    assert result["deciding"][0]["today"] == "bought outside"
    sources = {one["name"]: one["source"] for one in result["figures"]}
    assert sources["outside_each"] == "given"
    assert set(sources.values()) == {"given", "engineering prior"}


def test_costs_by_cause_sum_to_the_total(shop: Caller) -> None:
    result = studied(shop)["result"]
    for line in (result["today"], result["best"]):
        parts = {name: value for name, value in line["costs"].items() if name != "total"}
        assert sum(parts.values()) == pytest.approx(line["costs"]["total"])
    assert result["bound"] <= result["best"]["costs"]["total"] * (1.0 + 1e-5)


def test_queue_and_history_are_mixes_too(shop: Caller) -> None:
    shop.made("/v1/jobs", PLAIN | {"due_at": "2099-01-01T00:00:00Z"})
    shop.made("/v1/jobs", FINE)
    gone = shop.made("/v1/jobs", bodies.job(name="Withdrawn"))
    tasks.drain_and_bind(shop.stores, "test")
    shop.post(f"/v1/jobs/{gone['id']}/cancellation", {})
    for source, window in (("queue", 168.0), ("history", 720.0)):
        result = studied(shop, source=source, forecast=[])["result"]
        assert (result["jobs"], result["window_h"]) == (2, window)
        assert result["today"]["copies_outside"] == pytest.approx(1.0)
        assert result["best"]["copies_outside"] == pytest.approx(0.0)


def test_a_mix_without_jobs_fails_with_the_reason(shop: Caller) -> None:
    study = studied(shop, source="queue", forecast=[])
    assert study["state"] == "failed"
    assert "no job" in study["reason"]


REFUSED = [
    ({"forecast": []}, "/forecast"),
    ({"source": "queue"}, "/forecast"),
    ({"machine_ids": ["birch"]}, "/machine_ids/0"),
    ({"offers": [OFFER | {"fitting": "m5"}]}, "/offers/0/fitting"),
    ({"offers": [OFFER | {"bore_mm": 0}]}, "/offers/0/bore_mm"),
    ({"offers": [OFFER | {"price": -1}]}, "/offers/0/price"),
    ({"prices": {"utilisation": 0}}, "/prices/utilisation"),
    ({"prices": {"given": []}}, "/prices/given"),
    ({"window_h": "long"}, "/window_h"),
    (
        {"forecast": [{"job": bodies.job(material={"material_ids": ["oak"]})}]},
        "/forecast/0/job/material/material_ids/0",
    ),
    ({"time_limit_s": 0}, "/time_limit_s"),
]


@pytest.mark.parametrize(("changes", "pointer"), REFUSED, ids=[pointer for _, pointer in REFUSED])
def test_a_study_that_makes_no_sense_is_refused_at_its_place(shop: Caller, changes: Any, pointer: str) -> None:
    answer = shop.post(PATH, ASKED | changes)
    assert answer.status_code == 422, answer.text
    assert answer.mimetype == "application/problem+json"
    assert pointer in [one["pointer"] for one in answer.json["errors"]]


def test_a_shop_without_a_machine_in_service_conflicts(shop: Caller) -> None:
    shop.put("/v1/machines/alder/state", {"state": "down", "reason": "belt"}, If_Match="*")
    assert shop.post(PATH, ASKED).status_code == 409
    assert shop.post(PATH, ASKED | {"machine_ids": ["alder"]}).status_code == 202


def test_the_same_key_asks_for_one_study(shop: Caller) -> None:
    first, again = (shop.post(PATH, ASKED, Idempotency_Key='"one"') for _ in range(2))
    assert first.json == again.json
    assert len(shop.get(PATH).json["items"]) == 1


def test_a_study_that_waits_can_be_cancelled(shop: Caller) -> None:
    made = shop.made(PATH, ASKED)
    assert shop.post(f"{made['location']}/cancellation", {}).json["state"] == "cancelled"
    assert tasks.run_next(shop.stores, "planner") is None
    assert shop.post(f"{made['location']}/cancellation", {}).status_code == 409
    assert shop.get(f"{PATH}/nothing").status_code == 404


def test_one_that_is_cancelled_while_it_runs_keeps_what_it_found(shop: Caller, monkeypatch) -> None:
    def cancelled_at_once(stores: Stores, task: LongTask, hand: Hand) -> bytes:
        scored = hand.tell

        def tell(percent: float, **figures: float) -> None:
            scored(percent, **figures)
            if percent >= 60.0:
                stores.long_tasks.cancel(task.kind, task.id)
                while not hand.cancelled():
                    time.sleep(0.02)

        hand.tell = tell  # type: ignore[method-assign]
        return real(stores, task, hand)

    real = long_tasks.RUNNERS["line-up-study"]
    monkeypatch.setitem(long_tasks.RUNNERS, "line-up-study", cancelled_at_once)
    study = studied(shop)
    assert (study["state"], study["result"]["stopped"]) == ("cancelled", True)
    assert study["result"]["offers"] == []
    assert study["result"]["best"]["mounted"]


def test_one_that_runs_out_of_time_at_once_ends_and_says_so(shop: Caller, monkeypatch) -> None:
    monkeypatch.setattr(Hand, "seconds_left", property(lambda self: 0.0))
    study = studied(shop)
    assert (study["state"], study["result"]) == ("failed", None)
    assert "stopped before anything was compared" in study["reason"]


def test_a_worker_that_dies_is_followed_by_another_attempt(shop: Caller) -> None:
    made = shop.made(PATH, ASKED)
    held = shop.stores.long_tasks.claim("planner")  # and it was never heard of again
    assert held is not None
    assert shop.stores.long_tasks.claim("other") is None
    assert tasks.run_next(shop.stores, "planner") == held.subject  # the same name, after a restart
    done = shop.get(made["location"]).json
    assert (done["state"], done["attempt"]) == ("done", 2)


def test_the_report_can_be_read_without_its_drawing(shop: Caller) -> None:
    study = studied(shop, name="<b>0.3 & more</b>")
    answer = shop.get(study["page"])
    assert answer.status_code == 200
    assert answer.headers["Content-Security-Policy"] == HEADERS["Content-Security-Policy"]
    assert not re.search(r"<script(?![^>]* src=\"/assets/)", answer.text)
    assert "<b>0.3" not in answer.text
    page = read(answer.text)
    text = page.text()
    assert "No other line-up costs less on these figures" in text
    assert "0.3 brass" in text
    assert "engineering prior" in text
    drawing = page.one("svg", role="img")
    assert "Bought outside: today" in drawing.text()
    assert "Is a" not in shop.get("/line-up-studies").text


def test_tables_load_down_as_csv(shop: Caller) -> None:
    study = studied(shop, offers=[OFFER | {"name": "=1+1"}])
    answer = shop.get(f"{study['page']}/offers.csv")
    assert answer.mimetype == "text/csv"
    [row] = csv.DictReader(io.StringIO(answer.text))
    assert row["nozzle"] == "'=1+1"
    assert float(row["break_even"]) == pytest.approx(study["result"]["offers"][0]["break_even"], abs=1e-3)
    costs = list(csv.DictReader(io.StringIO(shop.get(f"{study['page']}/costs.csv").text)))
    assert sum(float(one["best"]) for one in costs) == pytest.approx(
        study["result"]["best"]["costs"]["total"], abs=0.05
    )
    assert shop.get(f"{study['page']}/nothing.csv").status_code == 404


def test_the_page_of_a_study_that_waits_looks_again_and_can_stop_it(shop: Caller) -> None:
    made = shop.made(PATH, ASKED)
    page = read(shop.get(f"/line-up-studies/{made['id']}").text)
    assert page.one("meta", **{"http-equiv": "refresh"})
    form = page.one("form")
    token = page.one("input", name="form_token").attributes["value"]
    answer = shop.client.post(form.attributes["action"], data={"form_token": token})
    assert answer.status_code == 303
    assert shop.get(made["location"]).json["state"] == "cancelled"
