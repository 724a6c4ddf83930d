"""The shop over HTTP: create, read, change, delete, with versions, pages and references."""

from __future__ import annotations

import pytest

from tests.service import api_bodies as bodies


def pointers(answer):
    return [one["pointer"] for one in answer.json["errors"]]


KINDS = {
    "machines": (bodies.machine, "name", "Alder, moved to the door"),
    "nozzles": (bodies.nozzle, "bore_mm", 0.5),
    "materials": (bodies.material, "price_per_kg", 31.5),
    "spools": (bodies.spool, "remaining_g", 120.0),
    "calibrations": (bodies.calibration, "flow_ratio", 0.97),
}


@pytest.mark.parametrize("plural", KINDS)
def test_a_thing_is_added_read_changed_and_taken_out(api, plural):
    for other in ("machines", "nozzles", "materials"):
        if other != plural and plural in {"spools", "calibrations"}:
            api.made(f"/v1/{other}", KINDS[other][0]())
    body, field, value = KINDS[plural][0](), *KINDS[plural][1:]
    added = api.post(f"/v1/{plural}", body)
    assert (added.status_code, added.headers["ETag"]) == (201, '"1"')
    path = added.headers["Location"]
    assert path == f"/v1/{plural}/{body['id']}"
    read = api.get(path)
    assert read.json == added.json
    assert {key: read.json[key] for key in body if key != "hotend"} == {k: v for k, v in body.items() if k != "hotend"}

    changed = api.put(path, read.json | {field: value}, If_Match=read.headers["ETag"])
    assert (changed.status_code, changed.json[field], changed.headers["ETag"]) == (200, value, '"2"')
    assert api.get(path).json == changed.json

    assert api.delete(path, If_Match='"2"').status_code == 204
    assert api.get(path).status_code == 404
    history = api.get(f"{path}/history").json["items"]
    assert [entry["kind"].split(".")[1] for entry in history] == ["created", "changed", "deleted"]


def test_an_id_is_made_where_none_is_given(api):
    body = bodies.machine()
    del body["id"]
    made = api.made("/v1/machines", body)
    assert len(made["id"]) == 26
    assert api.get(f"/v1/machines/{made['id']}").status_code == 200


def test_the_same_id_twice_is_a_conflict(api):
    api.made("/v1/machines", bodies.machine())
    again = api.post("/v1/machines", bodies.machine())
    assert (again.status_code, again.json["type"]) == (409, "urn:borewright:problem:conflict")


def test_of_two_changes_from_the_same_version_the_second_is_refused(api):
    api.made("/v1/materials", bodies.material())
    first = api.put("/v1/materials/pla-grey", bodies.material(price_per_kg=30), If_Match='"1"')
    second = api.put("/v1/materials/pla-grey", bodies.material(price_per_kg=40), If_Match='"1"')
    assert (first.status_code, second.status_code) == (200, 412)
    assert api.get("/v1/materials/pla-grey").json["price_per_kg"] == 30


def test_any_of_several_versions_or_a_star_may_match(api):
    api.made("/v1/materials", bodies.material())
    assert api.put("/v1/materials/pla-grey", bodies.material(), If_Match='"7", "1"').status_code == 200
    assert api.put("/v1/materials/pla-grey", bodies.material(), If_Match="*").status_code == 200
    assert api.delete("/v1/materials/pla-grey", If_Match="*").status_code == 204


def test_a_change_without_if_match_is_asked_for_it(api):
    api.made("/v1/materials", bodies.material())
    assert api.put("/v1/materials/pla-grey", bodies.material()).status_code == 428
    assert api.delete("/v1/materials/pla-grey").status_code == 428
    assert api.delete("/v1/materials/unknown").status_code == 404


def test_a_bore_of_40_mm_is_refused_where_it_stands(api):
    answer = api.post("/v1/nozzles", bodies.nozzle(bore_mm=40))
    assert answer.status_code == 422
    assert answer.json["errors"] == [{"pointer": "/bore_mm", "detail": "40 is out of range", "allowed": "0.1 to 2 mm"}]


@pytest.mark.parametrize("bore", [True, "0.4", [0.4], {"mm": 0.4}, 1e308, -0.4, 0, 10**30])
def test_what_is_no_bore_is_refused(api, bore):
    assert pointers(api.post("/v1/nozzles", bodies.nozzle(bore_mm=bore))) == ["/bore_mm"]


@pytest.mark.parametrize("name", ["", "   ", "x" * 81, "two\nlines", "bell\x07", 7, None])
def test_what_is_no_name_is_refused(api, name):
    assert pointers(api.post("/v1/nozzles", bodies.nozzle(name=name))) == ["/name"]


@pytest.mark.parametrize("thing_id", ["Alder", "-a", "a/b", "", "x" * 41, "é", "a\n"])
def test_what_is_no_id_is_refused(api, thing_id):
    assert pointers(api.post("/v1/machines", bodies.machine(id=thing_id))) == ["/id"]


def test_all_bad_fields_are_named_at_once(api):
    answer = api.post("/v1/machines", {"name": "Birch", "hotend": {"fitting": "m6", "a/b": 1}, "colour": "red"})
    assert set(pointers(answer)) == {
        "/hotend/a~1b",
        "/hotend/flow_ceiling_mm3_s",
        "/hotend/nozzle_temp_max_c",
        "/colour",
        "/build_x_mm",
        "/build_y_mm",
        "/build_z_mm",
        "/bed_temp_max_c",
    }


def test_a_material_whose_temperatures_cross_is_refused(api):
    answer = api.post("/v1/materials", bodies.material(nozzle_temp_min_c=240))
    assert pointers(answer) == ["/nozzle_temp_max_c"]


def test_a_layer_higher_than_its_bead_is_wide_is_refused(shop):
    answer = shop.post("/v1/calibrations", bodies.calibration(layer_height_mm=0.5))
    assert pointers(answer) == ["/layer_height_mm"]


@pytest.mark.parametrize("field", ["machine_id", "nozzle_id", "material_id"])
def test_a_calibration_of_something_unknown_is_refused(shop, field):
    assert pointers(shop.post("/v1/calibrations", bodies.calibration(**{field: "nobody"}))) == [f"/{field}"]


def test_a_calibration_of_a_nozzle_that_does_not_fit_is_refused(shop):
    shop.made("/v1/nozzles", bodies.nozzle(id="n-short", fitting="m6-short"))
    assert pointers(shop.post("/v1/calibrations", bodies.calibration(nozzle_id="n-short"))) == ["/nozzle_id"]


def test_what_is_in_use_stays(shop):
    answer = shop.delete("/v1/materials/pla-grey", If_Match="*")
    assert answer.status_code == 409
    assert "spool/s-01" in answer.json["detail"]
    assert shop.delete("/v1/nozzles/n-040-1", If_Match="*").status_code == 409


def test_a_long_shelf_is_read_page_by_page(api):
    wanted = [f"n-{number:03}" for number in range(250)]
    for nozzle_id in reversed(wanted):
        api.made("/v1/nozzles", bodies.nozzle(id=nozzle_id))
    seen, path, pages = [], "/v1/nozzles?limit=100", 0
    while path:
        answer = api.get(path)
        seen += [one["id"] for one in answer.json["items"]]
        pages += 1
        cursor = answer.json["next_cursor"]
        path = f"/v1/nozzles?limit=100&cursor={cursor}" if cursor else None
        assert ("Link" in answer.headers) is (cursor is not None)
    assert (seen, pages) == (wanted, 3)


@pytest.mark.parametrize(
    ("query", "parameter"),
    [
        ("limit=0", "limit"),
        ("limit=many", "limit"),
        ("limit=1001", "limit"),
        ("cursor=x!", "cursor"),
        ("page=2", "page"),
    ],
)
def test_a_bad_query_names_its_parameter(api, query, parameter):
    answer = api.get(f"/v1/nozzles?{query}")
    assert answer.status_code == 422
    assert [one["parameter"] for one in answer.json["errors"]] == [parameter]


def test_the_setting_caps_a_page(make_api):
    api = make_api(page_limit=2)
    for number in range(3):
        api.made("/v1/nozzles", bodies.nozzle(id=f"n-{number}"))
    assert len(api.get("/v1/nozzles?limit=500").json["items"]) == 2


def test_the_default_weights_are_read_and_set(api):
    assert api.get("/v1/shop/emphasis").json == {"detail": 0.3, "fit": 0.3, "clog": 0.2, "time": 0.2}
    weights = {"detail": 1.0, "fit": 2.0, "clog": 0.0, "time": 1.0}
    assert api.put("/v1/shop/emphasis", weights).json == weights
    assert api.get("/v1/shop/emphasis").json == weights
    refused = api.put("/v1/shop/emphasis", dict.fromkeys(weights, 0))
    assert (refused.status_code, pointers(refused)) == (422, [""])


def test_adding_twice_with_one_idempotency_key_adds_once(api):
    body = bodies.nozzle()
    del body["id"]
    first = api.post("/v1/nozzles", body, Idempotency_Key='"delivery-17"')
    again = api.post("/v1/nozzles", body, Idempotency_Key='"delivery-17"')
    assert first.status_code == again.status_code == 201
    assert (first.json, first.headers["Location"]) == (again.json, again.headers["Location"])
    assert len(api.get("/v1/nozzles").json["items"]) == 1
