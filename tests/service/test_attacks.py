"""What someone would try who wants in, out or further: each attempt, and that it leads nowhere."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable
from html.parser import HTMLParser
from typing import Any

import pytest

from service.exports import FORMULA
from service.log import event
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from tests.service.test_access import Bearer, form_token, signed_in
from workers.model.access import Scope
from workers.tasks.postman import AddressError, checked_address, is_public
from workers.tasks.routing import drain_and_bind

READ, HAND_IN, OPERATE, ADMINISTER = Scope
MakeApi = Callable[..., Caller]


@pytest.fixture
def closed(make_api: MakeApi) -> Caller:
    return make_api(access="keys")


# --- sessions and forms -----------------------------------------------------------------------------------------


def forms(caller: Caller) -> list[str]:
    """Every address that takes a form, filled."""
    rules = [rule for rule in caller.app.url_map.iter_rules() if "POST" in (rule.methods or ())]
    named = [re.sub(r"<int:[^>]+>", "1", rule.rule) for rule in rules if not rule.rule.startswith("/v1/")]
    return [re.sub(r"<[^>]+>", "x", name) for name in named]


def test_no_form_is_taken_without_its_token_or_from_another_site(closed: Caller) -> None:
    """OWASP, Cross-Site Request Forgery Prevention (from memory): token, cookie and origin, on every form there is."""
    browser, token = signed_in(closed, Bearer(closed, *Scope).text)
    assert len(forms(closed)) >= 12
    for path in forms(closed):
        attempts = [
            browser.client.post(path, data={}),
            browser.client.post(path, data={"form_token": "A" * 43}),
            browser.client.post(path, data={"form_token": token}, headers={"Origin": "https://other.example"}),
            browser.client.post(path, data={"form_token": token}, headers={"Origin": "null"}),
        ]
        assert [one.status_code for one in attempts] == [403] * 4, path
        assert "not sent from one of our own pages" in attempts[0].text


def test_signing_in_renews_everything_that_was_set_before(closed: Caller) -> None:
    """Session fixation: what another has put into the browser is worth nothing afterwards."""
    browser = Caller(closed.app)
    planted = form_token(browser)
    browser.client.set_cookie("borewright_session", "B" * 43)
    key = Bearer(closed, READ, HAND_IN).text
    browser.client.post("/sign-in", data={"form_token": planted, "key": key})
    first = browser.client.get_cookie("borewright_session").value
    assert first != "B" * 43
    assert browser.client.post("/hand-in", data={"form_token": planted}).status_code == 403
    renewed = browser.client.get_cookie("borewright_form").value
    browser.client.post("/sign-in", data={"form_token": renewed, "key": key})
    assert browser.client.get_cookie("borewright_session").value != first
    thief = Caller(closed.app)
    thief.client.set_cookie("borewright_session", first)
    assert thief.get("/v1/machines").status_code == 401  # the earlier session has ended


def test_cookies_over_tls_cannot_be_set_by_a_sibling_or_sent_in_the_clear(closed: Caller) -> None:
    """RFC 6265bis section 4.1.3.2: __Host- asks for Secure, Path=/ and no Domain."""
    browser = Caller(closed.app)
    base = "https://shop.example/"
    page = browser.client.get("/sign-in", base_url=base)
    token = re.search(r'name="form_token" value="([^"]+)"', page.text)
    assert token is not None
    form = {"form_token": token.group(1), "key": Bearer(closed, READ).text}
    answer = browser.client.post("/sign-in", data=form, base_url=base)
    cookies = page.headers.getlist("Set-Cookie") + answer.headers.getlist("Set-Cookie")
    assert {one.partition("=")[0] for one in cookies} == {"__Host-borewright_form", "__Host-borewright_session"}
    for one in cookies:
        assert {"Secure", "HttpOnly", "SameSite=Lax", "Path=/"} <= set(one.split("; "))
        assert "Domain=" not in one
    assert browser.client.get("/v1/machines", base_url=base).status_code == 200
    assert "max-age" in answer.headers["Strict-Transport-Security"]


@pytest.mark.parametrize("query", ["access_token={}", "key={}", "api_key={}", "authorization=Bearer%20{}"])
def test_a_key_in_an_address_opens_nothing(closed: Caller, query: str) -> None:
    """RFC 6750 section 2.3: addresses are logged, kept and passed on."""
    text = Bearer(closed, READ).text
    assert closed.get(f"/v1/machines?{query.format(text)}").status_code == 401


@pytest.mark.parametrize(
    "target", ["/\t/other.example", "/\n/other.example", "///other.example", "/%09/x", "http:/x", " //other.example"]
)
def test_signing_in_leads_nowhere_else_however_it_is_written(closed: Caller, target: str) -> None:
    browser = Caller(closed.app)
    form = {"form_token": form_token(browser), "key": Bearer(closed, READ).text, "next": target}
    assert browser.client.post("/sign-in", data=form).headers["Location"] in {"/", "/%09/x"}


def test_the_host_header_decides_no_address(closed: Caller) -> None:
    """Links and redirects are paths: a forged name cannot send a reader elsewhere."""
    for path in ("/queue", "/sign-in", "/nowhere"):
        answer = closed.client.get(path, headers={"Host": "other.example", "X-Forwarded-Host": "other.example"})
        assert "other.example" not in answer.text + answer.headers.get("Location", "")


# --- what one caller may know of another ------------------------------------------------------------------------


def test_an_answer_that_was_kept_for_one_caller_is_not_given_to_another(closed: Caller) -> None:
    """The same Idempotency-Key and body under another access key: another request, with a secret of its own."""
    first, second = Bearer(closed, ADMINISTER), Bearer(closed, READ, ADMINISTER)
    body, key = {"url": "https://shop.example/x"}, '"guessed"'
    mine = first.post("/v1/webhooks", body, Idempotency_Key=key).json
    assert first.post("/v1/webhooks", body, Idempotency_Key=key).json == mine
    theirs = second.post("/v1/webhooks", body, Idempotency_Key=key).json
    assert theirs["id"] != mine["id"]
    assert theirs["secret"] != mine["secret"]


def test_a_webhook_s_secret_is_told_once(closed: Caller, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    chief = Bearer(closed, *Scope)
    made = chief.made("/v1/webhooks", {"url": "https://shop.example/x"})
    told = [chief.get(path).text for path in ("/v1/webhooks", f"/v1/webhooks/{made['id']}", "/v1/events", "/v1/audit")]
    assert made["secret"] not in "".join(told) + caplog.text + chief.get("/metrics").text


def test_a_line_of_the_log_stays_one_line(api: Caller, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    assert "\n" not in event("x", path="/a\nERROR forged", name="a b\r")
    api.get("/v1/jobs/%0AERROR%20forged%20line")
    assert not [one for one in caplog.text.splitlines() if one.startswith("ERROR forged")]


# --- webhooks as a way in ---------------------------------------------------------------------------------------

# IANA special-purpose registries (RFC 6890), and IPv6 addresses that carry such IPv4 ones (RFC 4291, 3056, 6052).
INSIDE = [
    *("127.0.0.1", "10.0.0.1", "172.16.0.1", "192.168.1.1", "169.254.169.254", "0.0.0.0", "100.64.0.1", "224.0.0.1"),
    *("::1", "::", "fe80::1", "fc00::1", "ff02::1", "::ffff:127.0.0.1", "2002:7f00:1::1", "64:ff9b::a00:1"),
]


@pytest.mark.parametrize("address", INSIDE)
def test_no_address_inside_is_called_by_any_of_its_names(address: str) -> None:
    assert not is_public(address)
    with pytest.raises(AddressError):
        checked_address(address, 80, private=False)


@pytest.mark.parametrize("host", ["2130706433", "0x7f.1", "017700000001", "localhost"])
def test_nor_by_a_spelling_that_only_the_resolver_understands(host: str) -> None:
    """inet_aton(3) takes an address as one number, in hex or in octal."""
    with pytest.raises((AddressError, OSError)):
        checked_address(host, 80, private=False)


@pytest.mark.parametrize("address", ["1.1.1.1", "2606:4700::1111", "::ffff:1.1.1.1", "64:ff9b::101:101"])
def test_public_addresses_are_called(address: str) -> None:
    assert is_public(address)


# --- what is shown ----------------------------------------------------------------------------------------------

EVIL = """"'><script>alert(1)</script><img src=x onerror=alert(1)>{{7*7}}"""
ID = "alder"


class _Tags(HTMLParser):
    """What would run or load: tags and attributes that our pages never have."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            foreign = name in {"src", "href", "action"} and re.match(r"(?i)\s*(javascript|data|https?):", value or "")
            if name.startswith("on") or foreign or (name == "src" and value == "x"):
                self.found.append(f"{tag} {name}={value}")

    def handle_data(self, data: str) -> None:
        if self.lasttag == "script" and data.strip() and self.cdata_elem == "script":
            self.found.append(data)


@pytest.fixture
def evil(api: Caller) -> Caller:
    """A shop in which everything that can be named is named to run a script."""
    api.made("/v1/machines", bodies.machine(name=EVIL))
    api.made("/v1/nozzles", bodies.nozzle(name=EVIL, machine_id="alder", slot=1))
    api.made("/v1/materials", bodies.material(name=EVIL, polymer=EVIL[:40]))
    api.made("/v1/spools", bodies.spool(machine_id="alder", slot=1))
    summary = bodies.summary(features=[{"name": EVIL, "kind": "hole", "nominal_mm": 6, "facets": 64}])
    job = bodies.job(name=EVIL, summary=summary, tolerances=[{"name": EVIL, "iso286": "H11"}])
    for _ in range(2):
        api.made("/v1/jobs", job)
    drain_and_bind(api.stores, "test")
    api.made("/v1/claims", {"machine_id": "alder", "claimant": EVIL[:70]})
    gone = api.made("/v1/jobs", job)["id"]
    api.post(f"/v1/jobs/{gone}/cancellation", {"reason": EVIL})
    return api


def pages(caller: Caller) -> list[str]:
    """Every page there is something on, and every region that can be asked for by itself."""
    jobs = [one["id"] for one in caller.get("/v1/jobs").json["items"]]
    claims = [raw.decode() for raw in caller.stores.client.hvals(caller.stores.keys.holders)]
    found = ["/", "/queue", "/queue?state=bound", "/hand-in", "/evidence", "/models", "/machines/alder", "/sign-in"]
    found += [f"/jobs/{one}" for one in jobs] + [f"/machines/alder/move?job_id={one}" for one in jobs]
    found += [f"/claims/{one}" for one in claims] + ["/bore-trials", "/line-up-studies"]
    found += [f"/regions?of={name}" for name in ("needs", "benches", "week", "jobs", "bench.alder")]
    return [*found, f"/queue?state={EVIL}", f"/jobs/{EVIL}", f"/machines/{EVIL}", f"/sign-in?next={EVIL}"]


def test_no_name_runs_anything_on_any_page(evil: Caller) -> None:
    seen = 0
    for path in pages(evil):
        answer = evil.get(path)
        if answer.mimetype == "application/problem+json":  # which no browser takes for a page: see below
            continue
        text = answer.text
        assert "<script>alert" not in text, path
        assert "<img src=x" not in text, path
        assert "49" not in re.findall(r"onerror=alert\(1\)&gt;(\d\d)", text), path  # no second round through a template
        tags = _Tags()
        tags.feed(text)
        assert not tags.found, (path, tags.found)
        seen += "alert(1)" in text
    assert seen >= 8  # the names are shown, as text


def test_every_answer_forbids_guessing_and_framing(evil: Caller) -> None:
    """nosniff, and a policy that lets no script in but our own; on every route that can be read."""
    rules = [r for r in evil.app.url_map.iter_rules() if "GET" in (r.methods or ()) and r.endpoint != "static"]
    assert len(rules) > 60
    for rule in rules:
        path = re.sub(r"<int:\w+>", "1", re.sub(r"<(path:)?\w+>", "alder", rule.rule))
        if path == "/v1/events":
            path += "?limit=1"
        answer = evil.get(path)
        assert answer.headers["X-Content-Type-Options"] == "nosniff", path
        if answer.mimetype in {"text/html", "image/svg+xml"} or path.startswith("/v1/"):
            policy = answer.headers["Content-Security-Policy"]
            assert "default-src 'none'" in policy, path
            assert "unsafe" not in policy, path


@pytest.mark.parametrize(
    "path",
    [
        *(
            "/assets/../service/settings.py",
            "/assets/..%2f..%2fsettings.py",
            "/assets/%2e%2e/app.py",
            "/assets//etc/passwd",
        ),
        *("/assets/..\\..\\app.py", "/v1/parts/..%2f..%2fetc/display.stl", "/v1/bore-trials/../../etc/runs/1/photo"),
    ],
)
def test_no_path_leads_out_of_its_folder(api: Caller, path: str) -> None:
    answer = api.get(path)
    assert answer.status_code in {404, 405, 308}
    assert "import" not in answer.text


@pytest.mark.parametrize("begin", [one for one in FORMULA if one.isprintable()])
def test_no_name_is_a_formula_to_a_spreadsheet(api: Caller, begin: str) -> None:
    """OWASP, CSV injection."""
    api.stocked()
    api.made("/v1/jobs", bodies.job(name=f"{begin}cmd|'/c calc'!A1"))
    table: Any = api.get("/v1/reports/jobs?format=csv").text
    assert f"'{begin}cmd" in table
    assert not [cell for cell in re.split(r"[,\r\n]\"?", table) if cell.startswith(begin + "cmd")]
