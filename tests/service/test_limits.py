"""Every route that changes something, given what no caller should send: the right status, a problem, nothing kept.

The routes and a good body of each come from the description itself, so a new route is under test at once.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
import yaml

from service.app import create_app
from service.settings import Settings
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller

DESCRIPTION = yaml.safe_load((Path(__file__).parents[2] / "openapi" / "borewright.yaml").read_text())
BODY_LIMIT = 4096
MULTIPART = "multipart/form-data"


def _takes(media: str) -> list[tuple[str, str, Any]]:
    """Method, path and an example of each operation with such a body."""
    found = []
    for path, item in DESCRIPTION["paths"].items():
        for method, operation in item.items():
            content = operation.get("requestBody", {}).get("content", {}) if isinstance(operation, dict) else {}
            if media in content:
                found.append((method.upper(), path, content[media].get("example")))
    return found


JSON_ROUTES = _takes("application/json")
IDS = [f"{method} {path}" for method, path, _ in JSON_ROUTES]


@pytest.fixture(scope="module")
def caller(redis_url: str) -> Caller:
    """A stocked shop that takes small bodies only."""
    made = Caller(create_app(Settings(redis_url=redis_url, body_limit_bytes=BODY_LIMIT)))
    made.stores.client.flushall()
    return made.stocked()


def ask(caller: Caller, method: str, path: str, body: bytes, **headers: str):
    filled = path.replace("{number}", "1")
    for name in ("thing_id", "machine_id", "job_id", "claim_id", "plan_id", "study_id", "outcome_id", "trial_id"):
        filled = filled.replace(f"{{{name}}}", "alder")
    named = {"Content-Type": "application/json", "If-Match": "*"} | {k.replace("_", "-"): v for k, v in headers.items()}
    return caller.client.open(filled, method=method, data=body, headers=named)


def require_problem(answer: Any, status: int) -> dict[str, Any]:
    """RFC 9457: the media type, and the members that every problem of ours has."""
    assert (answer.status_code, answer.mimetype) == (status, "application/problem+json"), answer.text[:500]
    problem = answer.json
    assert problem["status"] == status
    assert problem["type"].startswith("urn:borewright:problem:")
    assert problem["title"]
    assert problem["detail"]
    return dict(problem)


DEEP = 200_000
NO_JSON = {
    "nothing": b"",
    "no JSON": b'{"name": ',
    "two values": b"{} {}",
    "a NaN": b'{"name": NaN}',
    "an Infinity": b'{"name": -Infinity}',
    "a number past every double": b'{"name": 1e400}',
    "no UTF-8": b'{"name": "\xff\xfe"}',
    "half a surrogate pair": rb'{"name": "\ud800"}',
    "a NUL byte": b'{"name": "a\x00b"}',
    "a comment": b'{"name": 1 /* one */}',
    "single quotes": b"{'name': 1}",
}
NO_OBJECT = {"null": b"null", "a list": b"[]", "text": b'"x"', "a number": b"5", "a huge whole number": b"9" * 400}


@pytest.mark.parametrize(("method", "path", "example"), JSON_ROUTES, ids=IDS)
def test_what_is_no_body_of_ours_is_refused_with_its_status(
    caller: Caller, method: str, path: str, example: Any
) -> None:
    before = caller.stores.events.last_id(), caller.stores.client.dbsize()
    for body in NO_JSON.values():
        require_problem(ask(caller, method, path, body), 400)
    for body in NO_OBJECT.values():
        assert ask(caller, method, path, body).status_code in {400, 422}
    good = json.dumps(example).encode()
    require_problem(ask(caller, method, path, good, Content_Type="text/plain"), 415)
    compressed = ask(caller, method, path, gzip.compress(good), Content_Encoding="gzip")
    require_problem(compressed, 415)
    assert compressed.headers["Accept-Encoding"] == "identity"  # RFC 9110 section 15.5.16
    too_long = require_problem(ask(caller, method, path, b'{"x": "' + b"y" * BODY_LIMIT + b'"}'), 413)
    assert str(BODY_LIMIT) in too_long["detail"]
    unknown = require_problem(ask(caller, method, path, b'{"no-such-field": 1}'), 422)
    assert "/no-such-field" in {one["pointer"] for one in unknown["errors"]}
    assert (caller.stores.events.last_id(), caller.stores.client.dbsize()) == before


@pytest.mark.parametrize("opening", [b"[", b'{"a":'], ids=["lists", "objects"])
def test_a_body_that_is_nested_without_end_is_refused(caller: Caller, redis_url: str, opening: bytes) -> None:
    api = Caller(create_app(Settings(redis_url=redis_url)))
    for method, path, _ in JSON_ROUTES[:3] + [one for one in JSON_ROUTES if one[1] == "/v1/jobs"]:
        require_problem(ask(api, method, path, opening * DEEP), 400)


def leaves(value: Any, pointer: str = "") -> Iterator[tuple[str, Any]]:
    """Each plain value inside, with its JSON Pointer."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, f"{pointer}/{key}")
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from leaves(inner, f"{pointer}/{index}")
    else:
        yield pointer, value


def with_leaf(body: Any, pointer: str, value: Any) -> Any:
    changed = deepcopy(body)
    *way, last = pointer.split("/")[1:]
    at = changed
    for step in way:
        at = at[int(step) if isinstance(at, list) else step]
    at[int(last) if isinstance(at, list) else last] = value
    return changed


# In place of any value: none of these is allowed anywhere.
BAD_NUMBERS = (1e308, -1e308, 10**30, "5", True, [], {})
BAD_TEXTS = ("\x00", "x" * 3000, "a\u202eb", 5, {}, ["x"])


@pytest.mark.parametrize(("method", "path", "example"), JSON_ROUTES, ids=IDS)
def test_every_value_has_its_range_and_is_named_where_it_is_outside(
    caller: Caller, method: str, path: str, example: Any
) -> None:
    for pointer, value in leaves(example):
        if isinstance(value, bool) or value is None:
            continue
        for bad in BAD_NUMBERS if isinstance(value, int | float) else BAD_TEXTS:
            body = json.dumps(with_leaf(example, pointer, bad)).encode()
            answer = ask(caller, method, path, body)
            if len(body) > BODY_LIMIT:
                require_problem(answer, 413)
                continue
            found = require_problem(answer, 422)["errors"]
            assert any(f"{pointer}/".startswith(f"{one['pointer']}/") for one in found), (pointer, bad, found)


@pytest.mark.parametrize("sign", ["-0.0", "-0"])
def test_minus_zero_is_zero(caller: Caller, sign: str) -> None:
    """IEEE 754: -0 equals 0, so it is in a range that begins with 0 and outside one that does not."""
    body = json.dumps(bodies.spool(id=f"s{sign}".replace(".", "-"))).replace("800", sign).encode()
    assert ask(caller, "POST", "/v1/spools", body).status_code == 201
    wrong = json.dumps(bodies.nozzle(id="n-zero")).replace('"bore_mm": 0.4', f'"bore_mm": {sign}').encode()
    require_problem(ask(caller, "POST", "/v1/nozzles", wrong), 422)


def test_of_two_fields_with_one_name_the_last_one_counts(caller: Caller) -> None:
    """RFC 8259 section 4 leaves it open; most parsers do so."""
    body = json.dumps(bodies.machine(id="yew")).encode()[:-1] + b', "id": "elm", "id": "oak"}'
    assert ask(caller, "POST", "/v1/machines", body).json["id"] == "oak"


NAMES = {
    "Ärmel-Halter": 201,
    "治具 7": 201,
    "مشبك": 201,
    "e\u0301": 201,  # kept as it came, not normalised
    "👩‍🔧 bracket": 201,
    "a\tb": 422,
    "a\u0085b": 422,
    "a\u2028b": 422,
    "a\u202eb": 422,
    "a\u2066b": 422,
    " ": 422,
    "": 422,
}


@pytest.mark.parametrize(
    ("name", "status"), NAMES.items(), ids=[name.encode("unicode_escape").decode() for name in NAMES]
)
def test_names_are_any_script_on_one_line_that_reads_as_it_is_written(caller: Caller, name: str, status: int) -> None:
    serial = f"m-{list(NAMES).index(name)}"
    answer = ask(caller, "POST", "/v1/machines", json.dumps(bodies.machine(id=serial, name=name)).encode())
    assert answer.status_code == status, answer.text
    if status == 201:
        assert caller.get(f"/v1/machines/{serial}").json["name"] == name


@pytest.mark.parametrize(
    ("method", "path"),
    [("DELETE", "/v1/jobs"), ("PATCH", "/v1/machines/alder"), ("PUT", "/v1/plans"), ("POST", "/healthz")],
)
def test_a_wrong_method_is_told_with_the_right_ones(caller: Caller, method: str, path: str) -> None:
    """RFC 9110 section 15.5.6."""
    answer = caller.client.open(path, method=method, json={})
    require_problem(answer, 405)
    assert answer.headers["Allow"]


@pytest.mark.parametrize(
    "query", ["limit=0", "limit=100000", "limit=1e3", "limit=-1", "limit=%00", "cursor=%ff", "x=1"]
)
def test_a_page_has_its_size_and_its_cursor(caller: Caller, query: str) -> None:
    problem = require_problem(caller.get(f"/v1/jobs?{query}"), 422)
    assert problem["errors"][0]["parameter"] == query.partition("=")[0]


def test_a_mesh_that_is_too_large_or_no_form_is_refused(caller: Caller, redis_url: str) -> None:
    api = Caller(create_app(Settings(redis_url=redis_url, upload_limit_bytes=2048)))
    for path in [path for _, path, _ in _takes(MULTIPART)]:
        for body in (b"", b"--x", b"--x\r\n\r\n"):
            answer = ask(api, "POST", path, body, Content_Type=f"{MULTIPART}; boundary=x")
            require_problem(answer, 422)
        form = (
            b'--x\r\nContent-Disposition: form-data; name="file"; filename="a.stl"\r\n\r\n' + b"s" * 4096 + b"\r\n--x--"
        )
        require_problem(ask(api, "POST", path, form, Content_Type=f"{MULTIPART}; boundary=x"), 413)
        assert ask(api, "POST", path, form, Content_Type=MULTIPART).status_code in {400, 422}
    assert api.get("/v1/parts").json["items"] == []
