"""A link to one job's result: what it shows, what it does not, how it ends, and that its secret is kept nowhere."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable
from urllib.parse import parse_qs, urlsplit

import pytest
import redis

from tests.service.conftest import Caller
from tests.service.demo_shop import load_demo_shop
from tests.service.page_reader import read
from tests.service.test_access import Bearer, everything
from tests.service.test_pages import PART, Reader
from workers.model.access import AccessKey, Scope
from workers.model.errors import ConflictError
from workers.store.keys import Keys
from workers.store.shares import MOST, ShareRepository

NOW, DAY_S = 1_780_000_000.0, 86_400.0
KEY = AccessKey(id="k" * 26, name="bench", scopes=(Scope.READ,), digest="", created_at=NOW)


class Sharer(Reader):
    """A person signed in to a shop that asks for keys, with a routed job."""

    def __init__(self, api: Caller, *scopes: Scope) -> None:
        super().__init__(api)
        self.key, self.text = api.stores.access.create(f"{len(scopes)}{'0' * 25}", "front desk", scopes)
        self.send("/sign-in", "/sign-in", key=self.text)

    def make(self, job_id: str, **typed: str) -> str:
        """The new link, as the page shows it."""
        answer = self.send(f"/jobs/{job_id}", f"/jobs/{job_id}/links", **typed)
        assert answer.status_code == 201, read(answer.text).text()
        assert answer.headers["Cache-Control"] == "no-store"
        return read(answer.text).one("input", id="new-link").get("value")


@pytest.fixture
def sharer(make_api: Callable[..., Caller]) -> Sharer:
    load_demo_shop(make_api().app)
    return Sharer(make_api(access="keys"), Scope.READ, Scope.HAND_IN)


@pytest.fixture
def job_id(sharer: Sharer) -> str:
    made = sharer.handed_in(
        **PART, tolerances__0__nominal_mm="5.3", tolerances__0__iso286="H12", material__material_ids=["petg", "pla"]
    )
    sharer.route()
    return made


def stranger(sharer: Sharer) -> Caller:
    """Somebody without a key or a session."""
    return Caller(sharer.app)


def path_of(link: str) -> str:
    parts = urlsplit(link)
    return f"{parts.path}?{parts.query}"


def test_a_link_shows_the_result_and_its_pictures_to_who_has_no_key(sharer: Sharer, job_id: str) -> None:
    path = path_of(sharer.make(job_id))
    answer = stranger(sharer).get(path)
    assert answer.status_code == 200
    page = read(answer.text)
    assert page.one("h1").text() == "Hinge, left"
    routing = sharer.stores.jobs.routing(job_id)
    assert f"bead {routing.chosen.bead_width_mm:.2f} mm wide" in page.text()
    pictures = [a.get("href") for a in page.all("a", **{"class": "picture"})]
    assert len(pictures) >= 7
    for address in pictures:
        picture = stranger(sharer).get(address)
        assert (picture.status_code, picture.mimetype) == (200, "image/svg+xml"), address


def test_it_shows_nothing_else_and_can_do_nothing(sharer: Sharer, job_id: str) -> None:
    path = path_of(sharer.make(job_id))
    page = read(stranger(sharer).get(path).text)
    assert not list(page.all("form"))
    assert not list(page.all("button"))
    links = [urlsplit(a.get("href")).path for a in page.all("a")]
    assert all(one.startswith(urlsplit(path).path + "/pictures/") for one in links if one), links
    scripts = [one.get("src") for one in page.all("script")]
    assert scripts == ["/assets/times.js"]
    secret = parse_qs(urlsplit(path).query)["key"][0]
    for other in (f"/jobs/{job_id}", "/", "/queue", f"/v1/jobs/{job_id}", "/v1/events"):
        found = stranger(sharer).get(f"{other}?key={secret}")
        assert found.status_code in {303, 401}, other
        assert stranger(sharer).get(other, Authorization=f"Bearer {secret}").status_code in {303, 401}


def test_it_opens_no_other_job(sharer: Sharer, job_id: str) -> None:
    other = sharer.handed_in(name="Another")
    sharer.route()
    path = path_of(sharer.make(job_id))
    assert stranger(sharer).get(path.replace(job_id, other)).status_code == 404


@pytest.mark.parametrize("change", ["", "x", "short"])
def test_a_link_that_is_not_whole_shows_nothing_and_says_no_more(sharer: Sharer, job_id: str, change: str) -> None:
    path = path_of(sharer.make(job_id))
    bare, _, secret = path.partition("?key=")
    wrong = {"": bare, "x": f"{bare}?key={'x' * 43}", "short": f"{bare}?key={secret[:-1]}"}[change]
    found, unknown = stranger(sharer).get(wrong), stranger(sharer).get("/shared/none/none?key=none")
    assert found.status_code == unknown.status_code == 404
    assert found.text == unknown.text
    assert "Hinge" not in found.text


def test_it_tells_its_address_to_nobody(sharer: Sharer, job_id: str) -> None:
    """W3C TAG, Good Practices for Capability URLs: no referrer, no cache, no search engine; and no cookie is needed."""
    answer = stranger(sharer).get(path_of(sharer.make(job_id)))
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert answer.headers["Cache-Control"] == "no-store"
    assert "noindex" in answer.headers["X-Robots-Tag"]
    assert "Set-Cookie" not in answer.headers


def test_a_revoked_link_shows_nothing(sharer: Sharer, job_id: str) -> None:
    kept, ended = path_of(sharer.make(job_id)), path_of(sharer.make(job_id))
    share_id = urlsplit(ended).path.rsplit("/", 1)[1]
    assert sharer.send(f"/jobs/{job_id}", f"/jobs/{job_id}/links/{share_id}/revoke").status_code == 303
    assert stranger(sharer).get(ended).status_code == 404
    assert stranger(sharer).get(kept).status_code == 200
    left = list(sharer.page(f"/jobs/{job_id}").all("form", action=f"/jobs/{job_id}/links/{share_id}/revoke"))
    assert not left


def test_a_link_ends_with_the_key_that_made_it(sharer: Sharer, job_id: str) -> None:
    path = path_of(sharer.make(job_id))
    sharer.stores.access.revoke(sharer.key.id, None)
    assert stranger(sharer).get(path).status_code == 404


@pytest.fixture
def shares(redis_client: redis.Redis) -> tuple[ShareRepository, list[float]]:
    now = [NOW]
    return ShareRepository(redis_client, Keys("main"), lambda: now[0]), now


def test_a_link_is_good_until_its_day(shares: tuple[ShareRepository, list[float]]) -> None:
    kept, now = shares
    made, secret = kept.create("a", "job", KEY, DAY_S)
    now[0] = NOW + DAY_S - 1
    assert kept.find("job", "a", secret) == made
    assert kept.of("job") == [made]
    now[0] = NOW + DAY_S
    assert kept.find("job", "a", secret) is None
    assert kept.of("job") == []


def test_a_link_is_good_no_longer_than_its_key(shares: tuple[ShareRepository, list[float]]) -> None:
    kept, _ = shares
    short = AccessKey(id="k", name="bench", scopes=(), digest="", created_at=NOW, expires_at=NOW + 60)
    assert kept.create("a", "job", short, DAY_S)[0].expires_at == NOW + 60


def test_links_of_a_job_are_counted_and_those_that_ended_forgotten(
    shares: tuple[ShareRepository, list[float]], redis_client: redis.Redis
) -> None:
    kept, now = shares
    for n in range(MOST):
        kept.create(f"{n:02d}", "job", KEY, DAY_S)
    with pytest.raises(ConflictError):
        kept.create("more", "job", KEY, DAY_S)
    kept.revoke("job", "03")
    with pytest.raises(ConflictError):
        kept.revoke("job", "03")
    kept.create("more", "job", KEY, 2 * DAY_S)
    now[0] = NOW + DAY_S
    kept.create("last", "job", KEY, DAY_S)
    assert redis_client.hlen(Keys("main").shares("job")) == 2


def test_what_may_not_be_read_may_not_be_shared(sharer: Sharer, job_id: str) -> None:
    """A key that hands in and cannot read would read by a link of its own."""
    blind = Bearer(stranger(sharer), Scope.HAND_IN)
    token = re.findall(r"borewright_form=([\w-]{43})", blind.get("/sign-in").headers["Set-Cookie"])[0]
    answer = blind.client.post(
        f"/jobs/{job_id}/links", data={"form_token": token}, headers={"Authorization": f"Bearer {blind.text}"}
    )
    assert answer.status_code == 403
    assert sharer.stores.shares.of(job_id) == []


def test_the_trail_says_who_made_and_who_revoked_and_the_secret_is_nowhere(
    sharer: Sharer, job_id: str, redis_client: redis.Redis, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    path = path_of(sharer.make(job_id))
    stranger(sharer).get(path)
    stranger(sharer).get(path.replace("/shared/", "/shared/x/"))
    share_id = urlsplit(path).path.rsplit("/", 1)[1]
    sharer.send(f"/jobs/{job_id}", f"/jobs/{job_id}/links/{share_id}/revoke")
    lines, _ = sharer.stores.access.trail()
    told = [(one.method, one.path, one.status, one.key_name) for one in lines if "/links" in one.path]
    assert told == [
        ("POST", f"/jobs/{job_id}/links/{share_id}/revoke", 303, "front desk"),
        ("POST", f"/jobs/{job_id}/links", 201, "front desk"),
    ]
    secret = parse_qs(urlsplit(path).query)["key"][0].encode()
    assert secret not in b"\n".join(everything(redis_client))
    assert secret.decode() not in caplog.text


def test_a_store_that_fails_under_a_link_logs_no_secret(
    sharer: Sharer, job_id: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    path = path_of(sharer.make(job_id))

    def fail(*_: object) -> None:
        raise redis.ConnectionError

    monkeypatch.setattr(ShareRepository, "find", fail)
    assert stranger(sharer).get(path).status_code == 503
    assert "store unavailable" in caplog.text
    assert parse_qs(urlsplit(path).query)["key"][0] not in caplog.text


def test_open_access_needs_no_link(api: Caller) -> None:
    load_demo_shop(api.app)
    reader = Reader(api)
    job = reader.handed_in(material__material_ids=["pla"])
    reader.route()
    page = reader.page(f"/jobs/{job}")
    assert "passed on by its address" in page.text()
    assert not list(page.all("form", action=f"/jobs/{job}/links"))
    token = page.one("form", action=f"/jobs/{job}/retry").one("input", name="form_token").get("value")
    assert reader.client.post(f"/jobs/{job}/links", data={"form_token": token}).status_code == 409
