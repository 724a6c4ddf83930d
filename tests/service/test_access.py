"""Who gets in: keys, scopes, sessions, the trail, and how often."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Iterator

import pytest
import redis

from service.settings import Settings, SettingsError
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from workers.model.access import Scope
from workers.store.access import AccessRepository
from workers.store.keys import Keys

NOW = 1_780_000_000.0
READ, HAND_IN, OPERATE, ADMINISTER = Scope
MakeApi = Callable[..., Caller]


class Bearer(Caller):
    """A caller with a key of its own."""

    def __init__(self, caller: Caller, *scopes: Scope) -> None:
        super().__init__(caller.app)
        made = caller.stores.access.create(f"{len(scopes)}{'0' * 25}", "bench", scopes)
        self.key, self.text = made
        self.client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {self.text}"


@pytest.fixture
def closed(make_api: MakeApi) -> Caller:
    return make_api(access="keys")


def test_a_key_is_asked_for_as_rfc_6750_has_it(closed: Caller) -> None:
    """RFC 6750 section 3 and RFC 9110 section 11.6.1: 401 names the scheme that would do."""
    answer = closed.get("/v1/machines")
    assert answer.status_code == 401
    assert answer.headers["WWW-Authenticate"].startswith("Bearer ")
    assert answer.mimetype == "application/problem+json"
    assert "Bearer KEY" in answer.json["detail"]


@pytest.mark.parametrize(
    "header", ["Bearer", "Bearer x", "Basic dXNlcjpwYXNz", "Bearer bwk_" + "0" * 26 + "_" + "A" * 43]
)
def test_what_is_no_key_of_ours_is_refused(closed: Caller, header: str) -> None:
    answer = closed.get("/v1/machines", Authorization=header)
    assert answer.status_code == 401
    assert header[8:] not in answer.text or len(header) < 9


def test_a_key_opens_what_its_scopes_cover(closed: Caller) -> None:
    reader = Bearer(closed, READ)
    assert reader.get("/v1/machines").status_code == 200
    refused = reader.post("/v1/machines", bodies.machine())
    assert refused.status_code == 403
    assert "administer" in refused.json["detail"]
    assert closed.stores.fleet.snapshot().machines == ()


def test_health_and_the_description_need_no_key(closed: Caller) -> None:
    closed.stores.presence.beat("routing", "r")
    for path in ("/healthz", "/readyz", "/openapi.json"):
        assert closed.get(path).status_code == 200


def test_a_revoked_key_is_out_at_once(closed: Caller) -> None:
    chief = Bearer(closed, READ, ADMINISTER)
    made = chief.made("/v1/access-keys", {"name": "form", "scopes": ["read"]})
    other = {"Authorization": f"Bearer {made['key']}"}
    assert closed.get("/v1/jobs", **other).status_code == 200
    assert chief.delete(f"/v1/access-keys/{made['id']}", If_Match='"1"').status_code == 200
    assert closed.get("/v1/jobs", **other).status_code == 401
    again = chief.delete(f"/v1/access-keys/{made['id']}", If_Match='"2"')
    assert again.status_code == 409
    assert chief.delete(f"/v1/access-keys/{made['id']}", If_Match='"1"').status_code == 412


def test_a_key_ends_with_its_day(redis_client: redis.Redis) -> None:
    clock = iter((NOW, NOW + 59, NOW + 60))
    access = AccessRepository(redis_client, Keys(), lambda: next(clock))
    _, text = access.create("0" * 26, "bench", (READ,), NOW + 60)
    assert access.of_text(text) is not None
    assert access.of_text(text) is None


def test_an_end_that_is_past_is_refused(closed: Caller) -> None:
    chief = Bearer(closed, ADMINISTER)
    body = {"name": "late", "scopes": ["read", "read"], "expires_at": "2020-01-01T00:00:00Z"}
    answer = chief.post("/v1/access-keys", body)
    assert answer.status_code == 422
    assert {one["pointer"] for one in answer.json["errors"]} == {"/scopes", "/expires_at"}


def test_secrets_are_nowhere_but_in_the_answer(
    closed: Caller, redis_client: redis.Redis, caplog: pytest.LogCaptureFixture
) -> None:
    """OWASP ASVS 4.0, 2.4 and 7.1 (from memory): secrets hashed at rest, none in a log."""
    caplog.set_level(logging.DEBUG)
    chief = Bearer(closed, READ, ADMINISTER)
    made = chief.made("/v1/access-keys", {"name": "form", "scopes": ["read"]})
    closed.get("/v1/machines", Authorization=f"Bearer {made['key']}x")
    secret = made["key"].rpartition("_")[2]
    kept = b"\n".join(everything(redis_client))
    assert b"access-keys" in kept
    assert secret.encode() not in kept
    assert chief.text.rpartition("_")[2].encode() not in kept
    assert secret not in caplog.text
    shown = chief.get("/v1/access-keys").text + chief.get("/v1/events").text + chief.get("/v1/audit").text
    assert secret not in shown
    assert "digest" not in shown


def everything(client: redis.Redis) -> Iterator[bytes]:
    """Every key with its value, as Redis writes it out."""
    for name in client.scan_iter():
        yield name
        kind = client.type(name)
        if kind == b"hash":
            yield repr(client.hgetall(name)).encode()
        elif kind == b"stream":
            yield repr(client.xrange(name)).encode()
        elif kind == b"list":
            yield repr(client.lrange(name, 0, -1)).encode()
        elif kind == b"string":
            yield client.get(name) or b""


def test_changes_and_refusals_leave_a_trail(closed: Caller) -> None:
    chief, reader = Bearer(closed, READ, ADMINISTER), Bearer(closed, READ)
    chief.made("/v1/machines", bodies.machine())
    reader.post("/v1/machines", bodies.machine())
    closed.post("/v1/machines", bodies.machine())
    items = chief.get("/v1/audit").json["items"]
    assert [(one["status"], one["key_id"], one["path"]) for one in items] == [
        (401, None, "/v1/machines"),
        (403, reader.key.id, "/v1/machines"),
        (201, chief.key.id, "/v1/machines"),
    ]
    assert reader.get("/v1/audit").status_code == 403


def test_the_trail_is_paged(closed: Caller) -> None:
    chief = Bearer(closed, ADMINISTER)
    for _ in range(5):
        closed.post("/v1/jobs", {})
    found, path = [], "/v1/audit?limit=2"
    while path:
        page = chief.get(path)
        found += [one["id"] for one in page.json["items"]]
        link = re.match(r"<(.*)>", page.headers.get("Link", ""))
        path = link.group(1) if link else ""
    assert len(found) == 5
    assert found == sorted(found, reverse=True)
    assert chief.get("/v1/audit?cursor=eA").status_code == 422


# --- open access ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["shop.example", "shop.example:8787", "10.1.2.3", "localhost.shop.example", "[::2]"])
def test_open_access_answers_only_this_machine_s_own_names(api: Caller, host: str) -> None:
    """Against a foreign name that is made to point here (DNS rebinding)."""
    answer = api.client.get("/v1/machines", base_url=f"http://{host}/")
    assert answer.status_code == 421
    assert "BOREWRIGHT_ACCESS=keys" in answer.json["detail"]


@pytest.mark.parametrize("host", ["localhost", "localhost:8787", "127.0.0.1:1", "127.8.8.8", "[::1]:8787"])
def test_open_access_answers_under_loopback_names(api: Caller, host: str) -> None:
    assert api.client.get("/v1/machines", base_url=f"http://{host}/").status_code == 200


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5", "shop.example"])
def test_an_open_service_does_not_listen_to_others(host: str) -> None:
    with pytest.raises(SettingsError, match="BOREWRIGHT_ACCESS=keys"):
        Settings(host=host)
    assert Settings(host=host, access="keys").host == host


# --- sessions ---------------------------------------------------------------------------------------------------


def signed_in(caller: Caller, text: str, target: str = "/queue") -> tuple[Caller, str]:
    """A browser that has signed in, and its form token."""
    browser = Caller(caller.app)
    token = form_token(browser)
    answer = browser.client.post("/sign-in", data={"form_token": token, "key": text, "next": target})
    assert (answer.status_code, answer.headers["Location"]) == (303, target)
    renewed = browser.client.get_cookie("borewright_form")
    assert renewed is not None
    return browser, renewed.value


def form_token(browser: Caller) -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', browser.get("/sign-in").text)
    assert found is not None
    return found.group(1)


def test_a_page_without_a_session_leads_to_the_way_in(closed: Caller) -> None:
    answer = closed.get("/queue?state=routed")
    assert answer.status_code == 303
    assert answer.headers["Location"] == "/sign-in?next=/queue?state%3Drouted"


def test_signing_in_opens_the_pages_and_reading(closed: Caller) -> None:
    browser, _ = signed_in(closed, Bearer(closed, READ).text)
    assert browser.get("/queue").status_code == 200
    assert browser.get("/v1/machines").status_code == 200
    assert "Sign out" in browser.get("/").text


def test_the_session_cookie_is_out_of_reach_of_scripts_and_other_sites(closed: Caller) -> None:
    """RFC 6265bis: HttpOnly, SameSite; Secure over TLS."""
    text = Bearer(closed, READ).text
    browser = Caller(closed.app)
    token = form_token(browser)
    answer = browser.client.post("/sign-in", data={"form_token": token, "key": text})
    [cookie] = [one for one in answer.headers.getlist("Set-Cookie") if one.startswith("borewright_session=")]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    assert text.rpartition("_")[2] not in cookie


def test_a_session_changes_nothing_over_the_api_without_the_page_s_token(closed: Caller) -> None:
    browser, token = signed_in(closed, Bearer(closed, READ, HAND_IN).text)
    assert browser.post("/v1/jobs", bodies.job()).status_code == 403
    with_token = browser.post("/v1/jobs", bodies.job(), X_Form_Token=token)
    assert with_token.status_code != 403
    foreign = browser.post("/v1/jobs", bodies.job(), X_Form_Token=token, Origin="https://other.example")
    assert foreign.status_code == 403


def test_a_session_ends_with_its_key_and_with_signing_out(closed: Caller) -> None:
    key = Bearer(closed, READ)
    browser, token = signed_in(closed, key.text)
    second, _ = signed_in(closed, key.text)
    assert browser.client.post("/sign-out", data={"form_token": token}).status_code == 303
    assert browser.get("/v1/machines").status_code == 401
    assert second.get("/v1/machines").status_code == 200
    closed.stores.access.revoke(key.key.id, None)
    assert second.get("/v1/machines").status_code == 401


def test_a_wrong_key_is_told_on_the_form(closed: Caller) -> None:
    browser = Caller(closed.app)
    answer = browser.client.post("/sign-in", data={"form_token": form_token(browser), "key": "bwk_nothing"})
    assert answer.status_code == 403
    assert 'role="alert"' in answer.text
    assert "bwk_nothing" not in answer.text


@pytest.mark.parametrize(
    "target", ["https://other.example/", "//other.example/", "/\\other.example", "javascript:1", ""]
)
def test_signing_in_leads_nowhere_else(closed: Caller, target: str) -> None:
    browser = Caller(closed.app)
    form = {"form_token": form_token(browser), "key": Bearer(closed, READ).text, "next": target}
    assert browser.client.post("/sign-in", data=form).headers["Location"] == "/"


# --- how often --------------------------------------------------------------------------------------------------


def test_a_caller_past_its_rate_is_told_when_to_come_again(make_api: MakeApi) -> None:
    """RFC 6585 section 4 (429) and the RateLimit header fields of draft-ietf-httpapi-ratelimit-headers-03."""
    limited = make_api(access="keys", rate_limit_per_min=3)
    first, second = Bearer(limited, READ), Bearer(limited, READ, OPERATE)
    answers = [first.get("/v1/machines") for _ in range(4)]
    assert [one.status_code for one in answers] == [200, 200, 200, 429]
    assert [one.headers["RateLimit-Remaining"] for one in answers[:3]] == ["2", "1", "0"]
    assert answers[0].headers["RateLimit-Limit"] == "3"
    assert 1 <= int(answers[3].headers["Retry-After"]) <= 60
    assert answers[3].mimetype == "application/problem+json"
    assert second.get("/v1/machines").status_code == 200
    assert first.get("/healthz").status_code == 200


def test_callers_without_a_key_are_counted_by_address(make_api: MakeApi) -> None:
    limited = make_api(access="keys", rate_limit_per_min=2)
    assert [limited.get("/v1/machines").status_code for _ in range(3)] == [401, 401, 429]


def test_keys_cannot_be_tried_at_will(closed: Caller) -> None:
    browser = Caller(closed.app)
    form = {"form_token": form_token(browser), "key": "bwk_guess"}
    found = [browser.client.post("/sign-in", data=form).status_code for _ in range(21)]
    assert found == [403] * 20 + [429]
