"""Mounting nozzles, loading spools, taking machines down: changes of state with a history."""

from __future__ import annotations

import pytest

from tests.service import api_bodies as bodies


@pytest.fixture
def bench(api):
    """A machine with two slots, a nozzle and a spool on the shelf."""
    api.made("/v1/machines", bodies.machine())
    api.made("/v1/nozzles", bodies.nozzle())
    api.made("/v1/materials", bodies.material())
    api.made("/v1/spools", bodies.spool())
    return api


PLACES = [("nozzles/n-040-1", "mounting", "mounted", "unmounted"), ("spools/s-01", "loading", "loaded", "unloaded")]


@pytest.mark.parametrize(("thing", "place", "on", "off"), PLACES)
def test_a_thing_goes_on_a_machine_and_comes_off(bench, thing, place, on, off):
    put_on = bench.post(f"/v1/{thing}/{place}", {"machine_id": "alder", "slot": 2}, If_Match='"1"')
    assert put_on.status_code == 200
    assert (put_on.json["machine_id"], put_on.json["slot"], put_on.headers["ETag"]) == ("alder", 2, '"2"')
    taken_off = bench.delete(f"/v1/{thing}/{place}", If_Match='"2"')
    assert (taken_off.json["machine_id"], taken_off.json["slot"], taken_off.json["version"]) == (None, None, 3)
    kinds = [entry["kind"].split(".")[1] for entry in bench.get(f"/v1/{thing}/history").json["items"]]
    assert kinds == ["created", on, off]


@pytest.mark.parametrize(("thing", "place", "on", "off"), PLACES)
def test_the_version_guards_a_place(bench, thing, place, on, off):
    body = {"machine_id": "alder", "slot": 1}
    assert bench.post(f"/v1/{thing}/{place}", body).status_code == 428
    assert bench.post(f"/v1/{thing}/{place}", body, If_Match='"9"').status_code == 412
    assert bench.post(f"/v1/{thing}/{place}", body, If_Match="*").status_code == 200
    assert bench.post(f"/v1/{thing}/{place}", body, If_Match="*").status_code == 409
    assert bench.delete(f"/v1/{thing}/{place}", If_Match='"1"').status_code == 412
    assert bench.delete(f"/v1/{thing}/{place}").status_code == 428


def test_a_slot_holds_one_nozzle(bench):
    bench.made("/v1/nozzles", bodies.nozzle(id="n-060-1", bore_mm=0.6, machine_id="alder", slot=1))
    answer = bench.post("/v1/nozzles/n-040-1/mounting", {"machine_id": "alder", "slot": 1}, If_Match="*")
    assert (answer.status_code, "n-060-1" in answer.json["detail"]) == (409, True)


def test_a_nozzle_of_another_fitting_is_not_mounted(bench):
    bench.made("/v1/nozzles", bodies.nozzle(id="short", fitting="m6-short"))
    answer = bench.post("/v1/nozzles/short/mounting", {"machine_id": "alder", "slot": 1}, If_Match="*")
    assert (answer.status_code, "m6-short" in answer.json["detail"]) == (409, True)


def test_a_place_that_is_not_there_is_named(bench):
    unknown = bench.post("/v1/nozzles/n-040-1/mounting", {"machine_id": "oak", "slot": 1}, If_Match="*")
    assert (unknown.status_code, unknown.json["errors"][0]["pointer"]) == (422, "/machine_id")
    assert (
        bench.post("/v1/nozzles/n-040-1/mounting", {"machine_id": "alder", "slot": 3}, If_Match="*").status_code == 409
    )
    assert bench.post("/v1/nozzles/none/mounting", {"machine_id": "alder", "slot": 1}, If_Match="*").status_code == 404


@pytest.mark.parametrize(("plural", "body"), [("nozzles", bodies.nozzle(id="x")), ("spools", bodies.spool(id="x"))])
def test_adding_keeps_the_rules_of_places(bench, plural, body):
    half = bench.post(f"/v1/{plural}", body | {"machine_id": "alder"})
    assert (half.status_code, half.json["errors"][0]["pointer"]) == (422, "/slot")
    beyond = bench.post(f"/v1/{plural}", body | {"machine_id": "alder", "slot": 3})
    assert beyond.status_code == 409
    bench.made(f"/v1/{plural}", body | {"machine_id": "alder", "slot": 1})
    assert bench.post(f"/v1/{plural}", body | {"id": "y", "machine_id": "alder", "slot": 1}).status_code == 409


def test_a_put_does_not_move_a_nozzle(bench):
    moved = bench.put("/v1/nozzles/n-040-1", bodies.nozzle(machine_id="alder", slot=1), If_Match="*")
    assert moved.status_code == 422
    assert [one["pointer"] for one in moved.json["errors"]] == ["/machine_id", "/slot"]
    bench.post("/v1/nozzles/n-040-1/mounting", {"machine_id": "alder", "slot": 1}, If_Match="*")
    renamed = bench.put("/v1/nozzles/n-040-1", bodies.nozzle(name="0.4 brass, worn"), If_Match="*")
    assert (renamed.json["name"], renamed.json["machine_id"], renamed.json["slot"]) == ("0.4 brass, worn", "alder", 1)


def test_what_is_mounted_keeps_its_machine_as_it_needs_it(shop):
    other_fitting = bodies.machine(hotend=bodies.machine()["hotend"] | {"fitting": "m7"})
    assert shop.put("/v1/machines/alder", other_fitting, If_Match="*").status_code == 409
    assert shop.put("/v1/nozzles/n-040-1", bodies.nozzle(fitting="m7"), If_Match="*").status_code == 409
    assert shop.delete("/v1/machines/alder", If_Match="*").status_code == 409


def test_a_machine_goes_down_with_a_reason_and_comes_back(api):
    api.made("/v1/machines", bodies.machine())
    down = api.put("/v1/machines/alder/state", {"state": "down", "reason": "Bed heater"}, If_Match='"1"')
    assert (down.json["state"], down.json["state_reason"]) == ("down", "Bed heater")
    kept = api.put("/v1/machines/alder", bodies.machine(name="Alder II"), If_Match='"2"')
    assert (kept.json["state"], kept.json["name"]) == ("down", "Alder II")
    assert api.put("/v1/machines/alder", bodies.machine(state="up"), If_Match="*").status_code == 422
    assert api.put("/v1/machines/alder/state", {"state": "up"}, If_Match='"3"').json["state"] == "up"
    kinds = [entry["kind"] for entry in api.get("/v1/machines/alder/history").json["items"]]
    assert kinds == ["machine.created", "machine.down", "machine.changed", "machine.up"]
    assert api.put("/v1/machines/alder/state", {"state": "asleep"}, If_Match="*").status_code == 422
