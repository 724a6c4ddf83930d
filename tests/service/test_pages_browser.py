"""The pages in a real Chromium against a live server: the flows of a person, with and without scripts."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import redis
from flask import Flask
from playwright.sync_api import Browser, Page, Request, expect
from werkzeug.serving import make_server

from service.app import create_app
from service.settings import Settings
from tests.service.demo_shop import hand_in_demo_jobs, load_demo_shop
from workers.model.job import JobState
from workers.store.stores import Stores
from workers.tasks import drain_inbox

pytestmark = pytest.mark.browser

WIDTHS = (360, 1024, 1600)


@dataclass(slots=True)
class Live:
    """A server on a free port, with the demo's shop in it."""

    address: str
    app: Flask
    stores: Stores

    def route(self) -> None:
        """What a worker does when the bell rings."""
        drain_inbox(self.stores, "test")


@dataclass(slots=True)
class Watched:
    """A page and everything that went wrong on it."""

    page: Page
    host: str
    faults: list[str] = field(default_factory=list)

    def watch(self) -> None:
        self.page.on("console", lambda m: self.faults.append(f"console {m.type}: {m.text}") if _bad(m.type) else None)
        self.page.on("pageerror", lambda e: self.faults.append(f"script: {e}"))
        self.page.on("request", lambda r: self._own(r.url))
        self.page.on("requestfailed", lambda r: self._failed(r))  # noqa: PLW0108  a slotted class takes no wrapper

    def _failed(self, request: Request) -> None:
        if request.failure != "net::ERR_ABORTED":  # the next page was asked for before this one was complete
            self.faults.append(f"failed: {request.url} {request.failure}")

    def _own(self, url: str) -> None:
        if urlsplit(url).scheme != "data" and urlsplit(url).netloc != self.host:
            self.faults.append(f"left the host: {url}")


def _bad(kind: str) -> bool:
    return kind in {"error", "warning"}


@pytest.fixture
def live(redis_client: redis.Redis, redis_url: str) -> Iterator[Live]:
    app = create_app(Settings(redis_url=redis_url))
    load_demo_shop(app)
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield Live(f"http://127.0.0.1:{server.port}", app, app.extensions["borewright"].stores)
    server.shutdown()
    thread.join(timeout=10)
    server.server_close()


@pytest.fixture
def visit(browser: Browser, live: Live) -> Iterator[Watched]:
    """A phone-wide page without scripts; the test fails where anything went wrong on it."""
    context = browser.new_context(
        base_url=live.address, java_script_enabled=False, viewport={"width": 360, "height": 800}
    )
    watched = Watched(context.new_page(), urlsplit(live.address).netloc)
    watched.watch()
    yield watched
    context.close()
    assert watched.faults == []


def fill_part(page: Page, name: str = "Hinge, left") -> None:
    page.goto("/hand-in")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Length x (mm)").fill("40")
    page.get_by_label("Width y (mm)").fill("20")
    page.get_by_label("Height z as printed (mm)").fill("12,5")
    page.get_by_label("Volume (cm³)").fill("6.2")
    page.get_by_label("PETG, plain").check()


def test_a_part_is_handed_in_and_its_routing_read_without_scripts(visit: Watched, live: Live) -> None:
    page = visit.page
    fill_part(page)
    page.get_by_label("Thinnest rib or wall (mm)", exact=True).fill("0.8")
    page.get_by_label("a must: thinnest rib or wall").check()
    page.get_by_label("Sizes that fit").check()
    page.get_by_role("button", name="Hand it in").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Hinge, left")
    expect(page.get_by_text("waits to be routed", exact=True)).to_be_visible()
    live.route()
    page.get_by_role("link", name="look now").click()
    expect(page.get_by_role("heading", name="Where it prints")).to_be_visible()
    (job,) = live.stores.jobs.page(JobState.ROUTED).items
    routing = live.stores.jobs.routing(job.id)
    assert routing is not None
    assert routing.chosen is not None
    expect(page.locator(".answer")).to_contain_text(f"bead {routing.chosen.bead_width_mm:.2f} mm wide")
    expect(page.get_by_role("img", name="Detail, weight 0.15")).to_be_visible()
    expect(page.get_by_role("heading", name="Why it leads the second")).to_be_visible()


def test_the_page_of_a_waiting_job_turns_to_its_routing_by_itself(visit: Watched, live: Live) -> None:
    page = visit.page
    fill_part(page)
    page.get_by_role("button", name="Hand it in").click()
    expect(page.get_by_text("waits to be routed", exact=True)).to_be_visible()
    live.route()
    expect(page.get_by_role("heading", name="Where it prints")).to_be_visible()


def test_problems_stand_beside_their_fields_and_nothing_typed_is_lost(visit: Watched, live: Live) -> None:
    page = visit.page
    fill_part(page)
    page.get_by_label("Width y (mm)").fill("wide")
    page.get_by_text("Size 2", exact=True).click()
    page.locator("#tolerances-1-nominal_mm").fill("8")
    page.locator("#tolerances-1-iso286").fill("twelve")
    page.get_by_role("button", name="Hand it in").click()
    expect(page.get_by_role("alert")).to_be_visible()
    visit.faults[:] = [f for f in visit.faults if "422" not in f]  # Chromium logs every 4xx answer
    width = page.get_by_label("Width y (mm)")
    expect(width).to_have_value("wide")
    expect(page.locator("#e-summary-extent_y_mm")).to_contain_text("not a number")
    expect(page.locator("#e-tolerances-1-iso286"), "the row of the problem stands open").to_be_visible()
    expect(page.get_by_label("Name")).to_have_value("Hinge, left")
    expect(page.get_by_label("PETG, plain")).to_be_checked()
    page.get_by_role("alert").get_by_role("link", name="Width y").click()
    width.fill("20")
    page.locator("#tolerances-1-iso286").fill("H11")
    page.get_by_role("button", name="Hand it in").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Hinge, left")
    assert live.stores.jobs.counts()[JobState.ACCEPTED] == 1


def test_a_job_is_cancelled_by_its_form(visit: Watched, live: Live) -> None:
    page = visit.page
    fill_part(page)
    page.get_by_role("button", name="Hand it in").click()
    page.get_by_label("Reason (may be left out)").fill("drawn anew")
    page.get_by_role("button", name="Cancel this job").click()
    expect(page.get_by_text("cancelled", exact=True).first).to_be_visible()
    assert live.stores.jobs.counts()[JobState.CANCELLED] == 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_fails_leaves_the_host_or_overflows(browser: Browser, live: Live, scheme: str) -> None:
    """Set BOREWRIGHT_SCREENSHOTS to a folder to keep a picture of every page."""
    ids = hand_in_demo_jobs(live.app)
    live.route()
    paths = {
        "shop": "/",
        "queue": "/queue",
        "hand-in": "/hand-in",
        "routed": f"/jobs/{ids['Guide for a 5 mm pin']}",
        "filled": f"/jobs/{ids['Davit bracket, load-bearing']}",
        "unroutable": f"/jobs/{ids['Full-length cable trough']}",
    }
    for width in WIDTHS:
        context = browser.new_context(
            base_url=live.address,
            viewport={"width": width, "height": 900},
            color_scheme=scheme,  # type: ignore[arg-type]
        )
        watched = Watched(context.new_page(), urlsplit(live.address).netloc)
        watched.watch()
        for name, path in paths.items():
            answer = watched.page.goto(path)
            assert answer is not None
            assert answer.status == 200
            over = watched.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            assert over <= 0, f"{name} is {over} px too wide at {width} px"
            _keep_picture(watched.page, f"{name}-{width}-{scheme}")
        context.close()
        assert watched.faults == []


def test_the_keyboard_reaches_everything_and_shows_where_it_is(browser: Browser, live: Live) -> None:
    """WCAG 2.1, 2.1.1 keyboard, 2.4.1 bypass blocks and 2.4.7 focus visible."""
    context = browser.new_context(base_url=live.address)
    page = context.new_page()
    page.goto("/hand-in")
    controls = "a:visible, input:visible:not([type=hidden]), select:visible, button:visible, summary"
    wanted = page.locator(controls).count()
    reached: list[str] = []
    for _ in range(wanted + 30):
        page.keyboard.press("Tab")
        where = page.evaluate(
            "(() => { const e = document.activeElement; const s = getComputedStyle(e);"
            " return [e === document.body ? '' : e.id || e.name || e.textContent.trim(), s.outlineStyle]; })()"
        )
        if not where[0]:  # past the last control
            break
        assert where[1] != "none", where
        reached.append(where[0])
    assert reached[0] == "To the content"
    assert "summary-volume_cm3" in reached
    assert "Hand it in" in reached
    context.close()


@pytest.mark.parametrize("path", ["/", "/queue", "/hand-in"])
def test_targets_are_large_enough_for_a_finger(browser: Browser, live: Live, path: str) -> None:
    """WCAG 2.2, 2.5.8: targets of at least 24 by 24 CSS pixels, links within a sentence excepted."""
    context = browser.new_context(base_url=live.address, viewport={"width": 360, "height": 800})
    page = context.new_page()
    page.goto(path)
    boxes = page.evaluate(
        "[...document.querySelectorAll('nav a, tbody th > a, .needs a, .waiting a, .rest a, button, select, summary,"
        " input:not([type=hidden])')]"
        ".filter(e => e.checkVisibility()).map(e => { const l = e.labels && e.labels[0];"
        " const r = e.getBoundingClientRect(), m = l ? l.getBoundingClientRect() : r;"
        " return [e.id || e.textContent.trim(), Math.max(r.width, m.width), Math.max(r.height, m.height)]; })"
    )
    assert boxes
    assert [box for box in boxes if box[1] < 24 or box[2] < 24] == []
    context.close()


def _keep_picture(page: Page, name: str) -> None:
    folder = os.environ.get("BOREWRIGHT_SCREENSHOTS")
    if folder:
        page.screenshot(path=str(Path(folder) / f"{name}.png"), full_page=True)
