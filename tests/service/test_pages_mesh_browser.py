"""Handing in a mesh in a real Chromium: dropped, watched, looked at, given a fit, routed; and the ways around."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import redis
from playwright.sync_api import Browser, Playwright, expect, sync_playwright

from service.app import create_app
from service.settings import Settings
from tests.service.browsers import PATIENCE_MS, WITH_GL, WITHOUT_GL, launched
from tests.service.mesh_visit import PLATE, Counter, Visit, counter, visit
from workers.model.job import JobState

pytestmark = pytest.mark.browser

LIMIT = 200_000
expect.set_options(timeout=PATIENCE_MS)


@pytest.fixture
def at(redis_client: redis.Redis, redis_url: str) -> Iterator[Counter]:
    with counter(create_app(Settings(redis_url=redis_url, upload_limit_bytes=LIMIT))) as made:
        yield made


@pytest.fixture(scope="module")
def playwright() -> Iterator[Playwright]:
    with sync_playwright() as started:
        yield started


@pytest.fixture(scope="module")
def browser(playwright: Playwright, chromium: Path) -> Iterator[Browser]:
    with launched(playwright, chromium, WITH_GL) as started:
        yield started


def is_sound(seen: Visit, name: str) -> None:
    """WCAG 2.2 by axe-core; 1.4.10, reflow: nothing is wider than the screen."""
    assert seen.barriers() == [], name
    assert seen.fits_its_width(), name
    seen.keep_picture(name)


def test_a_mesh_is_dropped_watched_picked_on_and_routed(browser: Browser, at: Counter) -> None:
    with visit(browser, at, viewport={"width": 1024, "height": 900}, timezone_id="Africa/Nairobi") as seen:
        page = seen.page
        page.goto("/hand-in")
        is_sound(seen, "mesh-form-1024-light")
        seen.drop(PLATE, "carrier.stl")
        page.get_by_role("button", name="Read the mesh").click()
        expect(page.locator("#phase")).to_have_text("waiting for a worker")
        claim = at.stores.analyses.claim("another", 60)
        assert claim is not None
        at.stores.analyses.progress(claim, "curves", 40.0)
        expect(page.locator("#percent")).to_have_text("40 %")
        expect(page.locator("#phase")).to_have_text("finding what each bead width would lose")
        is_sound(seen, "mesh-progress-1024-light")
        at.stores.analyses.give_back(claim)
        at.analyse()
        seen.drawn()
        page.mouse.click(*seen.spot_of(2))
        row = page.locator("#feature-1")
        expect(row).to_have_attribute("open", "")
        expect(row).to_contain_text("6 mm diameter")
        expect(row.get_by_label("Class, as H11")).to_be_focused()
        page.keyboard.type("H11")
        expect(row.locator(".given")).to_have_text("H11")
        is_sound(seen, "mesh-part-1024-light")
        page.get_by_label("Due (date and time, Africa/Nairobi)").fill("2031-03-01T12:00")
        page.get_by_label("PETG, plain").check()
        page.get_by_role("button", name="Hand it in").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("carrier")
        at.route()
        expect(page.get_by_role("heading", name="Where it prints")).to_be_visible()
        expect(page.locator(".answer")).to_contain_text("mm wide")
        expect(page.get_by_role("row", name="hole-2").first).to_be_visible()
    (job,) = at.jobs(JobState.ROUTED)
    assert job.spec.due_at == 1_930_122_000.0  # 2031-03-01T09:00Z: East Africa Time is UTC+3 all year (IANA tzdb)
    assert [(one.name, one.iso286) for one in job.spec.open_tolerances] == [("hole-2", "H11")]


def test_the_picture_turns_by_keys_and_stands_still_by_itself(browser: Browser, at: Counter) -> None:
    with visit(
        browser, at, viewport={"width": 360, "height": 800}, color_scheme="dark", reduced_motion="reduce"
    ) as seen:
        seen.give()
        at.analyse()
        seen.drawn()
        tag = seen.page.locator(".stage-tag", has_text="3")
        start = tag.get_attribute("style") or ""
        seen.page.wait_for_timeout(300)
        expect(tag).to_have_attribute("style", start)
        seen.page.locator("#part-view").focus()
        seen.page.keyboard.press("ArrowLeft")
        expect(tag).not_to_have_attribute("style", start)
        seen.page.get_by_role("button", name="Start view").click()
        expect(tag).to_have_attribute("style", start)
        is_sound(seen, "mesh-part-360-dark")


def test_without_webgl_the_layer_and_the_list_remain(playwright: Playwright, chromium: Path, at: Counter) -> None:
    bare = playwright.chromium.launch(executable_path=str(chromium), args=list(WITHOUT_GL))
    with visit(bare, at, viewport={"width": 360, "height": 800}) as seen:
        page = seen.page
        seen.give()
        at.analyse()
        expect(page.locator("#stage-words")).to_contain_text("draws nothing in three dimensions")
        expect(page.locator("#stage")).to_be_hidden()
        expect(page.locator(".layer-picture")).to_be_visible()
        is_sound(seen, "mesh-part-flat-360-light")
        page.locator("#feature-1 summary").focus()
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        page.keyboard.type("H11")
        page.keyboard.press("Enter")  # sends the form, as in every browser
        expect(page.get_by_text("waits to be routed", exact=True)).to_be_visible()
    bare.close()
    (job,) = at.jobs(JobState.ACCEPTED)
    assert [(one.name, one.iso286) for one in job.spec.open_tolerances] == [("hole-2", "H11")]


def test_a_mesh_is_handed_in_and_given_a_fit_without_scripts(browser: Browser, at: Counter) -> None:
    with visit(browser, at, viewport={"width": 360, "height": 800}, java_script_enabled=False) as seen:
        page = seen.page
        seen.give()
        expect(page.locator("#phase")).to_have_text("waiting for a worker")
        at.analyse()
        expect(page.get_by_role("heading", name="Its shape")).to_be_visible()  # the page looks again by itself
        expect(page.locator("#stage")).to_be_hidden()
        expect(page.get_by_text("The layer where detail goes first")).to_be_visible()
        page.get_by_text("round hole, 6 mm diameter").click()
        page.locator("#feature-1").get_by_label("Meets a part of (mm)").fill("5,8")
        page.locator("#feature-1").get_by_label("Clearance from (mm)").fill("0.1")
        page.locator("#feature-1").get_by_label("Clearance to (mm)").fill("0.4")
        page.get_by_role("button", name="Hand it in").click()
        expect(page.get_by_text("waits to be routed", exact=True)).to_be_visible()
        at.route()
        expect(page.get_by_role("heading", name="Where it prints")).to_be_visible()
    (job,) = at.jobs(JobState.ROUTED)
    assert job.spec.open_tolerances[0].name == "hole-2"


def test_what_cannot_be_used_is_said_where_the_file_was_given(browser: Browser, at: Counter) -> None:
    with visit(browser, at, viewport={"width": 360, "height": 800}) as seen:
        page = seen.page
        asked: list[str] = []
        page.on("request", lambda r: asked.append(r.method))
        page.goto("/hand-in")
        seen.drop(bytes(LIMIT + 1), "large.stl")
        expect(page.locator("#e-file")).to_contain_text("It was not sent")
        page.get_by_role("button", name="Read the mesh").click()
        expect(page.get_by_label("Mesh file")).to_be_focused()
        assert "POST" not in asked
        seen.give(b"#!/bin/sh\nreboot\n" * 50, "part.stl")
        at.analyse()
        expect(page.locator("#refusal")).to_contain_text("The mesh was refused")
        expect(page.locator("#e-file")).to_contain_text("none of the mesh formats")
        is_sound(seen, "mesh-refused-360-light")
