"""Every page where it is most likely to break: names of 80 letters without a space, a phone, a small window, paper."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page

from tests.service.browsers import WITH_GL
from tests.service.live_pages import Server, empty_server, reader
from tests.service.page_tour import long_named, paths_of

pytestmark = pytest.mark.browser
CHROMIUM_FLAGS = WITH_GL
# 320: a page of 1280 at a zoom of 400 % (WCAG 2.2, 1.4.10); 512: one of 1024 at 200 %.
WIDTHS = (320, 360, 512, 1024, 1600)
PAPER = 703  # A4 at 96 pixels an inch less margins of 12 mm
TOO_WIDE = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
TORN = """() => [...document.querySelectorAll("td, th, dd, dt, li, p, label, h1, h2, h3, button")]
    .filter(e => e.checkVisibility() && !e.closest(".unseen, svg") && e.textContent.trim().length > 6)
    .filter(e => { const r = e.getBoundingClientRect(); return r.width > 1 && r.width < 24 && r.height > 60; })
    .map(e => e.textContent.trim().slice(0, 40))"""
CUT = """() => [...document.querySelectorAll("table, svg, pre, p, dd")]
    .filter(e => e.checkVisibility() && e.getBoundingClientRect().right > innerWidth + 1)
    .map(e => `${e.tagName} ${e.textContent.trim().slice(0, 40)}`)"""


@pytest.fixture(scope="module")
def server(redis_url: str) -> Iterator[Server]:
    with empty_server(redis_url) as server:
        yield server


@pytest.fixture(scope="module")
def paths(server: Server) -> dict[str, str]:
    return paths_of(server.app, long_named)


def sized(page: Page, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 900})


def test_no_name_makes_a_page_scroll_sideways_or_tears_a_column(
    browser: Browser, server: Server, paths: dict[str, str]
) -> None:
    found: dict[tuple[str, int], object] = {}
    with reader(browser, server) as seen:
        page = seen.watched()
        for name, path in paths.items():
            seen.go(page, path)
            for width in WIDTHS:
                sized(page, width)
                found[name, width] = max(page.evaluate(TOO_WIDE), 0) or page.evaluate(TORN)
    assert {where: what for where, what in found.items() if what} == {}


def test_no_page_is_cut_on_paper(browser: Browser, server: Server, paths: dict[str, str]) -> None:
    found: dict[str, object] = {}
    with reader(browser, server) as seen:
        page = seen.watched()
        page.emulate_media(media="print")
        sized(page, PAPER)
        for name, path in paths.items():
            seen.go(page, path)
            found[name] = max(page.evaluate(TOO_WIDE), 0) or page.evaluate(CUT)
    assert {where: what for where, what in found.items() if what} == {}
