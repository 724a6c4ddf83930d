"""A line-up study asked for in a real Chromium: with a script it shows its progress, without one it works as well."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import redis
from playwright.sync_api import Browser, Page, expect

from service.app import create_app
from service.settings import Settings
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from tests.service.live_pages import Server, reader
from tests.service.test_pages_axe import faults_of
from workers import tasks
from workers.model.lineup import LINE_UP_STUDY

pytestmark = pytest.mark.browser
PHONE = {"width": 360, "height": 800}


@pytest.fixture
def server(redis_client: redis.Redis, redis_url: str) -> Iterator[Server]:
    server = Server(create_app(Settings(redis_url=redis_url))).start()
    api = Caller(server.app).stocked()
    api.made("/v1/nozzles", bodies.nozzle(id="spare", name="0.8 spare", bore_mm=0.8))
    api.made("/v1/jobs", bodies.job())
    yield server
    server.stop()


def filled_wrong(page: Page) -> None:
    """A bore that is no number; refused, and said beside it."""
    page.get_by_label("Name (may be left out)").fill("What of a 0.3?")
    page.get_by_label("Those that wait now").check()
    page.get_by_label("Called, as “0.3 hardened”").first.fill("0.3 brass")
    page.get_by_label("Bore (mm)").first.fill("fine")
    page.get_by_label("Price of one").first.fill("20")
    page.get_by_role("button", name="Compare line-ups").click()
    expect(page.get_by_role("alert")).to_contain_text("Nozzle 1, bore")
    expect(page.locator("#e-offers-0-bore_mm")).to_contain_text("not a number")
    expect(page.get_by_label("Price of one").first).to_have_value("20")


def sent_right(page: Page) -> None:
    page.get_by_role("alert").get_by_role("link", name="Nozzle 1, bore").click()
    page.get_by_label("Bore (mm)").first.fill("0,3")
    page.get_by_label("Time to search, at most").select_option("10 seconds")
    page.get_by_role("button", name="Compare line-ups").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("What of a 0.3?")
    expect(page.get_by_role("heading", name="The line-ups are being compared")).to_be_visible()


@pytest.mark.parametrize("script", [True, False])
def test_a_study_is_asked_for_followed_and_read(browser: Browser, server: Server, script: bool) -> None:
    with reader(browser, server, viewport=PHONE, java_script_enabled=script) as seen:
        page = seen.open("/line-up-studies")
        filled_wrong(page)
        seen.faults[:] = [f for f in seen.faults if "422" not in f]  # Chromium logs every 4xx answer
        sent_right(page)
        (task,) = server.stores.long_tasks.page(LINE_UP_STUDY, None, 5).items
        assert tasks.run_next(server.stores, "planner") == f"{LINE_UP_STUDY}/{task.id}"
        expect(page.get_by_role("heading", name="What came of it")).to_be_visible()  # either way by itself
        expect(page.get_by_role("heading", name="Nozzles on offer")).to_be_visible()


def test_the_refused_form_keeps_every_rule_of_axe(browser: Browser, server: Server) -> None:
    with reader(browser, server, viewport=PHONE) as seen:
        page = seen.open("/line-up-studies")
        filled_wrong(page)
        seen.faults[:] = [f for f in seen.faults if "422" not in f]
        page.get_by_text("What things cost").click()
        assert faults_of(page, "study refused") == {}
