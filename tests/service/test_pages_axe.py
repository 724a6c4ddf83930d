"""Every page against axe-core's rules (WCAG 2 and its best practices), light and dark, at the width of a phone.

On each, too: no error in the console, no request to another host, nothing wider than the screen.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from service.app import create_app
from service.settings import Settings
from tests.service.browsers import WITH_GL
from tests.service.live_pages import Seen, Server, empty_server, reader
from tests.service.page_tour import PROBLEMS, paths_of
from workers.model.access import Scope

pytestmark = pytest.mark.browser
CHROMIUM_FLAGS = WITH_GL
AXE = (Path(__file__).parent / "vendor" / "axe.min.js").read_text(encoding="utf-8")
RUN = (
    "rules => axe.run({resultTypes: ['violations'], ...(rules && {runOnly: rules})})"
    ".then(found => found.violations.map("
    "v => `${v.id}: ${v.help}: ${v.nodes.slice(0, 3).map(n => n.html.slice(0, 120)).join(' | ')}`))"
)
TOO_WIDE = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
PHONE = {"width": 360, "height": 800}
DAY_S = 86_400.0


@pytest.fixture(scope="module")
def server(redis_url: str) -> Iterator[Server]:
    with empty_server(redis_url) as server:
        yield server


@pytest.fixture(scope="module")
def paths(server: Server) -> dict[str, str]:
    """One shop for all tests of this module: none of them changes what another looks at."""
    return paths_of(server.app)


@pytest.fixture(scope="module")
def closed(server: Server, redis_url: str) -> Iterator[Server]:
    """The same store behind access keys."""
    server = Server(create_app(Settings(redis_url=redis_url, access="keys"))).start()
    yield server
    server.stop()


def faults_of(page: Page, name: str) -> dict[str, object]:
    """What axe finds in both colour schemes, and how far the page is too wide."""
    page.evaluate(AXE)
    found: dict[str, object] = {}
    for scheme, rules in (("light", None), ("dark", ["color-contrast", "link-in-text-block"])):  # only colours differ
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        found[f"{name}, {scheme}"] = page.evaluate(RUN, rules)
        _keep_picture(page, f"{name}-360-{scheme}")
    found[f"{name}, too wide"] = max(page.evaluate(TOO_WIDE), 0)
    return {where: what for where, what in found.items() if what}


def visited(seen: Seen, paths: Mapping[str, str]) -> dict[str, object]:
    """All in one tab, so that axe-core is read and made fast once and not for every page."""
    found: dict[str, object] = {}
    page = seen.watched()
    for name, path in paths.items():
        seen.go(page, path)
        found |= faults_of(page, name)
    page.close()
    return found


def test_no_page_breaks_a_rule_of_axe(browser: Browser, server: Server, paths: Mapping[str, str]) -> None:
    with reader(browser, server, viewport=PHONE) as seen:
        assert visited(seen, paths) == {}
        for name, (path, status) in PROBLEMS.items():
            assert faults_of(seen.open(path, status), name) == {}
        seen.faults[:] = [f for f in seen.faults if "404" not in f]  # Chromium logs every 4xx answer


def test_no_page_behind_keys_breaks_a_rule_of_axe(browser: Browser, closed: Server, paths: Mapping[str, str]) -> None:
    job = paths["job"]
    key, text = closed.stores.access.create("0" * 26, "front desk", (Scope.READ, Scope.HAND_IN))
    made, secret = closed.stores.shares.create("1" * 26, job.rpartition("/")[2], key, DAY_S)
    with reader(browser, closed, viewport=PHONE) as stranger:
        link = f"/shared/{made.job_id}/{made.id}?key={secret}"
        assert visited(stranger, {"sign-in": "/sign-in", "shared": link}) == {}
    with reader(browser, closed, viewport=PHONE) as seen:
        page = seen.open("/sign-in")
        page.get_by_label("Access key").fill("wrong")
        page.get_by_role("button", name="Sign in").click()
        page.get_by_role("alert").wait_for()
        page.get_by_label("Access key").fill(text)
        page.get_by_role("button", name="Sign in").click()
        page.get_by_role("heading", name="Shop").wait_for()
        page.goto(job)
        page.get_by_role("button", name="Make a link").click()
        page.get_by_label("The new link", exact=False).wait_for()
        seen.faults[:] = [f for f in seen.faults if "403" not in f]  # Chromium logs every 4xx answer
        assert faults_of(page, "job-link") == {}


def test_axe_finds_what_is_wrong(browser: Browser, server: Server) -> None:
    """The check can fail: a field without a label and pale text are found."""
    with reader(browser, server) as seen:
        page = seen.open("/queue")
        page.evaluate("document.querySelector('main').append(document.createElement('input'))")
        page.evaluate("document.querySelector('h1').style.color = '#ddd'")
        page.evaluate(AXE)
        rules = {rule.partition(":")[0] for rule in page.evaluate(RUN, None)}
    assert {"label", "color-contrast"} <= rules


def _keep_picture(page: Page, name: str) -> None:
    """Set BOREWRIGHT_SCREENSHOTS to a folder to keep a picture of every page."""
    folder = os.environ.get("BOREWRIGHT_SCREENSHOTS")
    if folder:
        page.screenshot(path=str(Path(folder) / f"{name}.png"), full_page=True)
