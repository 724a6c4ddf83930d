"""The HTTP face against the standards it claims. Each check names its source."""

from __future__ import annotations

import json
import re
from datetime import datetime

import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator

from service.app import create_app
from service.settings import Settings
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller


@pytest.fixture
def api(redis_client, redis_url):
    return Caller(create_app(Settings(redis_url=redis_url)))


@pytest.fixture(scope="module")
def description():
    return json.loads(create_app(Settings()).test_client().get("/openapi.json").data)


def pointed_at(document, pointer):
    """RFC 6901 section 4, written out here: split at /, then ~1 to /, then ~0 to ~."""
    for token in pointer.split("/")[1:]:
        step = token.replace("~1", "/").replace("~0", "~")
        document = document[int(step)] if isinstance(document, list) else document[step]
    return document


REFUSALS = {
    "unknown address": (404, lambda api: api.get("/v1/nowhere")),
    "unknown thing": (404, lambda api: api.get("/v1/machines/nobody")),
    "other method": (405, lambda api: api.delete("/v1/machines")),
    "not acceptable": (406, lambda api: api.get("/v1/machines", Accept="text/csv")),
    "malformed": (400, lambda api: raw(api, b'{"name": ')),
    "not a number in JSON": (400, lambda api: raw(api, b'{"bore_mm": NaN}')),
    "infinity in JSON": (400, lambda api: raw(api, b'{"bore_mm": Infinity}')),
    "number too large": (400, lambda api: raw(api, b'{"bore_mm": 1e400}')),
    "not UTF-8": (400, lambda api: raw(api, b'{"name": "\xff"}')),
    "nested deeply": (400, lambda api: raw(api, b"[" * 100_000)),
    "empty": (400, lambda api: raw(api, b"")),
    "other media type": (415, lambda api: raw(api, b"name=x", "application/x-www-form-urlencoded")),
    "no media type": (415, lambda api: raw(api, b"{}", None)),
    "bad value": (422, lambda api: api.post("/v1/nozzles", bodies.nozzle(bore_mm=40))),
    "no If-Match": (428, lambda api: made(api).put("/v1/nozzles/n-040-1", bodies.nozzle())),
    "stale If-Match": (412, lambda api: made(api).put("/v1/nozzles/n-040-1", bodies.nozzle(), If_Match='"8"')),
    "taken id": (409, lambda api: made(api).post("/v1/nozzles", bodies.nozzle())),
}


def raw(api, body, content_type="application/json"):
    return api.client.post("/v1/nozzles", data=body, content_type=content_type)


def made(api):
    api.made("/v1/nozzles", bodies.nozzle())
    return api


@pytest.mark.parametrize(("status", "refuse"), REFUSALS.values(), ids=list(REFUSALS))
def test_every_refusal_is_a_problem(api, status, refuse):
    """RFC 9457 sections 3 and 3.1: media type, members and their types, status equal to that of the response."""
    answer = refuse(api)
    assert (answer.status_code, answer.mimetype) == (status, "application/problem+json")
    body = answer.json
    assert body["status"] == status
    assert re.fullmatch(r"[a-z][a-z0-9+.-]*:.+", body["type"])  # an absolute URI (RFC 3986 section 3.1)
    assert body["instance"].startswith("/")
    assert all(isinstance(body[member], str) and body[member] for member in ("type", "title", "detail", "instance"))


def test_the_title_of_a_type_does_not_change(api):
    """RFC 9457 section 3.1.3: the title should not change from occurrence to occurrence of the problem."""
    titles = {}
    for _, refuse in REFUSALS.values():
        api.stores.client.flushall()
        body = refuse(api).json
        titles.setdefault(body["type"], set()).add(body["title"])
    assert {kind: len(words) for kind, words in titles.items() if len(words) > 1} == {}


def test_a_pointer_resolves_to_the_value_it_complains_of(api):
    """RFC 6901 sections 3 and 4, with both escapes."""
    body = bodies.job(material={"a/b~c": 1}, quantity=-7)
    errors = api.post("/v1/jobs", body).json["errors"]
    assert {json.dumps(pointed_at(body, one["pointer"])) for one in errors} == {"1", "-7"}


def test_another_method_is_told_which_are_allowed(api):
    """RFC 9110 section 15.5.6: a 405 response MUST carry Allow."""
    assert set(api.delete("/v1/machines").headers["Allow"].split(", ")) >= {"GET", "POST"}
    assert "POST" in api.get("/v1/routing-queries").headers["Allow"]


def test_a_body_over_the_limit_is_refused(redis_client, redis_url):
    """RFC 9110 section 15.5.14."""
    api = Caller(create_app(Settings(redis_url=redis_url, body_limit_bytes=2000)))
    answer = api.post("/v1/nozzles", bodies.nozzle(name="x" * 3000))
    assert (answer.status_code, answer.mimetype, "2000" in answer.json["detail"]) == (
        413,
        "application/problem+json",
        True,
    )


def test_any_json_suffix_is_json(api):
    """RFC 6839 section 3.1: +json names JSON content; parameters do not change that."""
    body = json.dumps(bodies.nozzle()).encode()
    assert raw(api, body, "application/merge-patch+json; charset=utf-8").status_code == 201


@pytest.mark.parametrize(
    ("accept", "status"),
    [
        ("application/json", 200),
        ("application/*;q=0.1", 200),
        ("text/html, */*;q=0.8", 200),
        ("text/html", 406),
        ("application/json;q=0", 406),
    ],
)
def test_the_accept_header_is_heard(api, accept, status):
    """RFC 9110 section 12.5.1: a weight of 0 means not acceptable."""
    assert api.get("/v1/machines", Accept=accept).status_code == status


def test_what_is_created_says_where_it_is(api):
    """RFC 9110 sections 10.2.2 and 15.3.2: 201 with the Location of what was created."""
    created = api.post("/v1/nozzles", bodies.nozzle())
    assert created.status_code == 201
    assert api.get(created.headers["Location"]).json == created.json


def test_if_match_compares_strongly_and_if_none_match_weakly(api):
    """RFC 9110 sections 8.8.3.2, 13.1.1 and 13.1.2."""
    made(api)
    path = "/v1/nozzles/n-040-1"
    assert api.put(path, bodies.nozzle(), If_Match='W/"1"').status_code == 412
    assert api.get(path, If_None_Match='W/"1"').status_code == 304
    assert api.get(path, If_None_Match='"5", "1"').status_code == 304
    assert api.get(path, If_None_Match="*").status_code == 304
    assert api.get(path, If_None_Match='"5"').status_code == 200


def test_not_modified_has_no_content_and_the_etag(api):
    """RFC 9110 section 15.4.5."""
    made(api)
    answer = api.get("/v1/nozzles/n-040-1", If_None_Match='"1"')
    assert (answer.status_code, answer.data, answer.headers["ETag"]) == (304, b"", '"1"')


def test_head_is_get_without_its_content(api):
    """RFC 9110 section 9.3.2."""
    made(api)
    got, headed = api.get("/v1/nozzles/n-040-1"), api.client.head("/v1/nozzles/n-040-1")
    assert (headed.status_code, headed.data, headed.headers["ETag"]) == (200, b"", got.headers["ETag"])


def test_preconditions_wait_for_what_would_fail_anyway(api):
    """RFC 9110 section 13.2.1: preconditions are ignored where the answer without them is no 2xx or 412."""
    assert api.delete("/v1/nozzles/nobody", If_Match='"1"').status_code == 404


def test_moments_are_rfc_3339(api):
    """RFC 3339 section 5.6, read by the standard library."""
    made(api)
    at = api.get("/v1/nozzles/n-040-1/history").json["items"][0]["at"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z", at)
    assert abs((datetime.fromisoformat(at) - datetime.now().astimezone()).total_seconds()) < 60


def test_the_next_page_is_linked(api):
    """RFC 8288 section 3: <target>; rel="next"."""
    for number in range(3):
        api.made("/v1/nozzles", bodies.nozzle(id=f"n-{number}"))
    target, parameter = api.get("/v1/nozzles?limit=2").headers["Link"].split("; ")
    assert parameter == 'rel="next"'
    assert [one["id"] for one in api.get(target.strip("<>")).json["items"]] == ["n-2"]


def test_the_idempotency_key_behaves_as_drafted(api):
    """IETF draft-ietf-httpapi-idempotency-key-header, sections 2.1 and 2.7 (from memory): a quoted string;
    422 for the same key with another payload, 409 while the first is being answered."""
    api.stocked()
    key = '"8e03978e-40d5-43dd-bc93-6894a57f9324"'
    first = api.post("/v1/jobs", bodies.job(), Idempotency_Key=key)
    assert api.post("/v1/jobs", bodies.job(), Idempotency_Key=key).data == first.data
    assert api.post("/v1/jobs", bodies.job(name="Other"), Idempotency_Key=key).status_code == 422
    api.stores.idempotency.begin("POST /v1/jobs", "running", json.dumps(bodies.job()).encode())
    body = json.dumps(bodies.job()).encode()
    running = api.client.post(
        "/v1/jobs", data=body, content_type="application/json", headers={"Idempotency-Key": '"running"'}
    )
    assert running.status_code == 409


def test_the_description_is_valid_openapi_3_1(description):
    """OpenAPI Specification 3.1.0, by the reference validator openapi-spec-validator."""
    assert description["openapi"] == "3.1.0"
    OpenAPIV31SpecValidator(description).validate()


def test_every_path_parameter_is_declared_and_every_operation_has_its_own_id(description):
    """OpenAPI Specification 3.1.0, sections 4.8.9.1 (path templating) and 4.8.10.1 (operationId is unique)."""
    ids = []
    for path, item in description["paths"].items():
        declared = {one["name"] for one in item.get("parameters", []) if one["in"] == "path"}
        for method in {"get", "put", "post", "delete"} & item.keys():
            ids.append(item[method]["operationId"])
            own = {one["name"] for one in item[method].get("parameters", []) if one.get("in") == "path"}
            assert declared | own == set(re.findall(r"{(\w+)}", path)), path
    assert len(ids) == len(set(ids))


def test_examples_are_what_their_schemas_say(description):
    """JSON Schema 2020-12, by the reference library jsonschema (through openapi-schema-validator)."""
    from openapi_schema_validator import OAS31Validator
    from referencing import Registry, Resource
    from referencing.jsonschema import DRAFT202012

    registry = Registry().with_resource("urn:description", Resource(description, DRAFT202012))
    checked = 0
    for item in description["paths"].values():
        for method in {"put", "post"} & item.keys():
            content = item[method].get("requestBody", {}).get("content", {}).get("application/json", {})
            if "example" in content:
                schema = json.loads(json.dumps(content["schema"]).replace('"#/', '"urn:description#/'))
                OAS31Validator(schema, registry=registry).validate(content["example"])
                checked += 1
    assert checked >= 15
