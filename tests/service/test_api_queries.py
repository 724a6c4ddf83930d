"""Routing queries: the routing that a job would get, at once and kept nowhere."""

from __future__ import annotations

from tests.service import api_bodies as bodies
from workers import tasks


def test_a_query_is_answered_as_the_job_would_be(shop):
    asked = shop.post("/v1/routing-queries", bodies.job())
    path = shop.made("/v1/jobs", bodies.job())["location"]
    tasks.drain_inbox(shop.stores, "test")
    assert asked.status_code == 200
    assert asked.json["routing"]["chosen"]["nozzle_id"] == "n-040-1"
    assert asked.data == shop.get(f"{path}/routing").data


def test_a_query_keeps_nothing(shop):
    shop.post("/v1/routing-queries", bodies.job())
    assert shop.get("/v1/jobs").json["items"] == []


def test_the_same_query_has_the_same_answer_until_the_shop_changes(shop):
    first, again = (shop.post("/v1/routing-queries", bodies.job()) for _ in range(2))
    assert first.data == again.data
    shop.put("/v1/machines/alder/state", {"state": "down"}, If_Match="*")
    down = shop.post("/v1/routing-queries", bodies.job())
    assert (down.json["routing"]["chosen"], down.json["routing"]["refused"][0]["gate"]) == (None, "machine-up")


def test_a_kept_answer_is_worked_out_once(shop, monkeypatch):
    runs = []
    route_now = tasks.route_now
    monkeypatch.setattr(tasks, "route_now", lambda *given: runs.append(1) or route_now(*given))
    for _ in range(3):
        shop.post("/v1/routing-queries", bodies.job())
    shop.post("/v1/routing-queries", bodies.job(quantity=2))
    assert len(runs) == 2


def test_answers_that_do_not_fit_are_dropped_oldest_first():
    from service.context import AnswerCache

    cache = AnswerCache(max_bytes=10)
    cache.put((1, b"a"), b"aaaa")
    cache.put((1, b"b"), b"bbbb")
    assert cache.get((1, b"a")) == b"aaaa"
    cache.put((1, b"c"), b"cccc")
    assert (cache.get((1, b"a")), cache.get((1, b"b")), cache.get((1, b"c"))) == (b"aaaa", None, b"cccc")
