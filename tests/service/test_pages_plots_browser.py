"""Plots in a real browser: colours of the style sheet in light, dark and print, words in the page's font, in view."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import redis
from playwright.sync_api import Browser, Page

from service.app import create_app
from service.settings import Settings
from tests.service.browsers import PLAIN
from tests.service.live_pages import Server, reader
from tests.service.page_tour import paths_of

pytestmark = pytest.mark.browser
CHROMIUM_FLAGS = PLAIN
PAGES = ("evidence", "models", "trial", "study", "coverage", "plan", "job")
# Colour of each mark and word: "none" where nothing is painted.
COLOURS = """() => [...document.querySelectorAll('svg.drawn path, svg.drawn circle, svg.drawn text')].map(one => {
  const style = getComputedStyle(one);
  return {tag: one.tagName, fill: style.fill, stroke: style.stroke, font: style.fontFamily, size: style.fontSize};
})"""
BLACK = "rgb(0, 0, 0)"
INSIDE = """() => [...document.querySelectorAll('svg.drawn')].every(one => {
  const region = one.closest('.wide') ?? one.closest('figure');
  return region.getBoundingClientRect().right <= document.documentElement.clientWidth + 0.5;
})"""
CUT_OFF = """() => [...document.querySelectorAll('svg.drawn text')].filter(one => {
  const sheet = one.ownerSVGElement.getBoundingClientRect(), words = one.getBoundingClientRect();
  return words.left < sheet.left - 1 || words.right > sheet.right + 1 || words.bottom > sheet.bottom + 1;
}).map(one => one.textContent)"""


@pytest.fixture
def server(redis_client: redis.Redis, redis_url: str) -> Iterator[Server]:
    server = Server(create_app(Settings(redis_url=redis_url))).start()
    yield server
    server.stop()


def colours(page: Page, **media: str) -> set[str]:
    page.emulate_media(**media)  # type: ignore[arg-type]
    marks = page.evaluate(COLOURS)
    assert marks
    assert all(one["fill"] != "none" or one["stroke"] != "none" for one in marks), "something cannot be seen"
    return {one[which] for one in marks for which in ("fill", "stroke")} - {"none"}


def test_plots_take_the_colours_of_the_style_sheet_and_fit_the_screen(browser: Browser, server: Server) -> None:
    """A mark that the style sheet forgets would be black, in light and in dark alike."""
    paths = paths_of(server.app)
    for width in (360, 1024, 1600):
        with reader(browser, server, viewport={"width": width, "height": 800}) as seen:
            for name in PAGES:
                page = seen.open(paths[name])
                light, dark = colours(page, color_scheme="light"), colours(page, color_scheme="dark")
                assert BLACK not in light | dark, name
                assert not light & dark, name
                assert page.evaluate(INSIDE), (name, width)
                assert page.evaluate(CUT_OFF) == [], (name, width)
                page.close()


def test_words_of_plots_are_words_in_the_page_s_font_and_can_be_printed(browser: Browser, server: Server) -> None:
    paths = paths_of(server.app)
    with reader(browser, server) as seen:
        page = seen.open(paths["evidence"])
        font = page.evaluate("getComputedStyle(document.body).fontFamily")
        assert {one["font"] for one in page.evaluate(COLOURS) if one["tag"] == "text"} == {font}
        page.locator("svg.drawn").first.evaluate("one => getSelection().selectAllChildren(one)")
        assert "clogs a litre" in page.evaluate("getSelection().toString()")
        assert BLACK in colours(page, media="print"), "ink on paper is black"
        page.close()
