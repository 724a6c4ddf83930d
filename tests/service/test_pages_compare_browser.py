"""Trials and studies in a real Chromium: followed to their verdict on a phone, by keyboard, and on paper."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import redis
from playwright.sync_api import Browser, Page, expect

from service.app import create_app
from service.settings import Settings
from tests.service import api_bodies
from tests.service import trial_bodies as bodies
from tests.service.conftest import Caller
from tests.service.live_pages import Server, reader
from tests.service.test_pages_axe import AXE, RUN
from tests.service.test_pages_browser import WIDTHS
from workers import tasks

pytestmark = pytest.mark.browser
OFFER = {"name": "0.3 brass", "bore_mm": 0.3, "tip": "brass", "fitting": "m6-long", "price": 20}
FINE = api_bodies.job(name="Name plate", tolerances=[], critical=[{"name": "stroke", "kind": "rib", "size_mm": 0.3}])
STUDY = {
    "name": "Is a 0.3 worth it?",
    "source": "forecast",
    "forecast": [{"job": api_bodies.job(tolerances=[]), "count": 5}, {"job": FINE, "count": 8}],
    "offers": [OFFER],
    "time_limit_s": 20,
}


@pytest.fixture
def server(redis_client: redis.Redis, redis_url: str) -> Iterator[Server]:
    server = Server(create_app(Settings(redis_url=redis_url))).start()
    yield server
    server.stop()


def a_shop(server: Server) -> Caller:
    api = bodies.two_machines(Caller(server.app))
    api.made("/v1/nozzles", api_bodies.nozzle(id="spare", name="0.8 spare", bore_mm=0.8))
    return api


def defined(api: Caller) -> str:
    return str(api.made("/v1/bore-trials", bodies.trial(machine_ids=["alder"], replicates=3))["id"])


def printed(api: Caller, trial_id: str) -> None:
    """All runs with results: the 0.6 closes the hole."""
    path = f"/v1/bore-trials/{trial_id}"
    for _ in api.get(path).json["runs"]:
        run = next(one for one in api.get(path).json["runs"] if one["job_id"] and not one["result"])
        size = {0.4: 8.05, 0.5: 8.04, 0.6: 7.85}[run["bore_mm"]] + 0.003 * (run["number"] % 3)
        sizes = [{"name": "hole 8", "measured_mm": round(size, 3)}]
        answer = api.post(f"{path}/runs/{run['number']}/result", bodies.result(print_h=1.2, sizes=sizes))
        assert answer.status_code == 201, answer.text
    api.client.put(f"{path}/runs/1/photo", data=bodies.png(), content_type="image/png")


def studied(api: Caller) -> str:
    study_id = str(api.made("/v1/line-up-studies", STUDY)["id"])
    tasks.run_next(api.stores, "planner")
    return study_id


def tabbed_to(page: Page, words: str) -> None:
    """The focus moved by Tab alone until it is on what has these words."""
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent.trim()") == words:
            return
    raise AssertionError(f"Tab never came to {words!r}")


def sideways(page: Page) -> int:
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


def test_a_trial_is_defined_printed_and_judged_in_the_browser(browser: Browser, server: Server) -> None:
    """Without scripts, on a phone."""
    api = a_shop(server)
    phone = {"viewport": {"width": 360, "height": 800}, "java_script_enabled": False}
    with reader(browser, server, **phone) as seen:
        page = seen.open("/bore-trials")
        page.get_by_role("link", name="Define a trial of the gauge piece").click()
        page.get_by_label("Name").fill("Is a 0.5 worth having?")
        page.get_by_label("Bores").fill("0.4 0.5 0,6")
        page.get_by_label("Alder").check()
        page.get_by_label("How often each is printed").fill("3")
        page.get_by_role("button", name="Lay it out").click()
        expect(page.get_by_role("alert")).to_be_visible()  # no material was chosen
        seen.faults.clear()  # the refusal is a 422, which the browser logs
        page.get_by_role("group", name="Materials").get_by_role("checkbox").first.check()
        page.get_by_role("button", name="Lay it out").click()
        expect(page.get_by_text("No run has a result yet.")).to_be_visible()
        rows = page.locator("section[aria-labelledby=h-runs] tbody tr")
        expect(rows.filter(has_text="waits")).to_have_count(9)
        page.get_by_role("button", name="Start it").click()
        for number in range(1, 10):
            page.get_by_role("link", name=f"report run {number}", exact=True).click()
            report_run(page, number)
        expect(page.get_by_text("0.6 mm does not hold: sliding fit, H11, 8 mm.")).to_be_visible()
        expect(page.get_by_text("0.6 mm against 0.4 mm, sliding fit, H11, 8 mm: differs")).to_be_visible()
        expect(rows.filter(has_text="printed")).to_have_count(9)
        drawing = page.get_by_role("img", name="sliding fit, H11, 8 mm: mean error with its 95 % interval")
        expect(drawing).to_be_visible()
        assert sideways_by_box(page) == 0
        with page.expect_download() as taken:
            page.get_by_role("link", name="results as a table (CSV)").click()
        assert len(taken.value.path().read_text().splitlines()) == 10
    assert len(api.get("/v1/outcomes").json["items"]) == 9


def report_run(page: Page, number: int) -> None:
    """The hole comes out too tight with 0.6 mm; its ribs are there."""
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Run {number} of 9")
    tight = "0.6 mm" in page.locator("dl").inner_text()
    size = (7.85 if tight else 8.045) + 0.003 * (number % 3)
    page.get_by_label("Printed, and can be measured").check()
    page.get_by_label("Hours it took").fill("1.2")
    page.get_by_label("hole 8, drawn 8").fill(f"{size:.3f}")
    page.get_by_label("rib of 0.8 mm").select_option("kept")
    page.get_by_role("button", name="Take the result").click()


def sideways_by_box(page: Page) -> int:
    """As ``sideways``, where the page runs no script: by what sticks out of the window."""
    box = page.locator("main").bounding_box()
    assert box is not None
    return max(0, round(box["x"] + box["width"] - 360))


def test_a_trial_is_found_by_keyboard(browser: Browser, server: Server) -> None:
    trial_id = defined(a_shop(server))
    with reader(browser, server) as seen:
        page = seen.open("/bore-trials")
        tabbed_to(page, "Is a 0.5 worth having?")
        page.keyboard.press("Enter")
        page.wait_for_url(f"**/bore-trials/{trial_id}")
        tabbed_to(page, "Start it: hand in the first runs")
        page.keyboard.press("Enter")
        expect(page.get_by_role("link", name="report run 1", exact=True)).to_be_visible()
        tabbed_to(page, "report run 1")
        page.keyboard.press("Enter")
        page.wait_for_url(f"**/bore-trials/{trial_id}/runs/1")
        expect(page.get_by_role("heading", name="Run 1 of 9")).to_be_visible()


def test_a_study_is_followed_while_it_runs_and_told_when_it_is_done(browser: Browser, server: Server) -> None:
    api = a_shop(server)
    study = api.made("/v1/line-up-studies", STUDY)
    with reader(browser, server, viewport={"width": 360, "height": 800}) as seen:
        page = seen.open("/line-up-studies")
        tabbed_to(page, "Is a 0.3 worth it?")
        page.keyboard.press("Enter")
        page.wait_for_url(f"**/line-up-studies/{study['id']}")
        expect(page.get_by_role("button", name="Stop, and keep the best so far")).to_be_visible()
        tasks.run_next(api.stores, "planner")
        expect(page.get_by_role("heading", name="What came of it")).to_be_visible()  # it shows it by itself
        expect(page.get_by_text("No other line-up costs less on these figures: this is proved.")).to_be_visible()
        for heading in ("Costs by cause, per 168 h", "Nozzles on offer", "Jobs that decide it", "What it rests on"):
            expect(page.get_by_role("heading", name=heading)).to_be_visible()
        expect(page.get_by_text("90 % interval")).to_be_visible()
        assert sideways(page) == 0
        with page.expect_download() as taken:
            page.get_by_role("link", name="offers (CSV)").click()
        assert "break_even_low" in taken.value.path().read_text()


def test_their_pages_keep_every_rule_of_axe_and_every_width_and_print(browser: Browser, server: Server) -> None:
    api = a_shop(server)
    trial_id = defined(api)
    api.post(f"/v1/bore-trials/{trial_id}/start")
    printed(api, trial_id)
    fresh = defined(api)
    api.post(f"/v1/bore-trials/{fresh}/start")
    paths = (
        "/bore-trials",
        "/bore-trials/new",
        f"/bore-trials/{trial_id}",
        f"/bore-trials/{fresh}/runs/1",
        "/line-up-studies",
        f"/line-up-studies/{studied(api)}",
    )
    with reader(browser, server) as seen:
        found: dict[Any, list[str]] = {}
        for path in paths:
            page = seen.open(path)
            page.evaluate(AXE)
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
                found[path, scheme] = page.evaluate(RUN)
            for width in WIDTHS:
                page.set_viewport_size({"width": width, "height": 900})
                assert sideways(page) == 0, (path, width)
            on_paper(page)
            page.close()
    assert {where: rules for where, rules in found.items() if rules} == {}


def on_paper(page: Page) -> None:
    """A4 at 96 pixels an inch less margins of 12 mm: nothing is cut, drawings are there, what one clicks is not."""
    page.emulate_media(media="print", color_scheme="dark")
    page.set_viewport_size({"width": 703, "height": 1030})
    assert sideways(page) == 0
    cut = page.evaluate(
        "[...document.querySelectorAll('table, svg, pre')].map(one => one.getBoundingClientRect().right)"
        ".filter(right => right > innerWidth + 1).length"
    )
    assert cut == 0, page.url
    for drawing in page.locator("main svg[role=img]").all():
        expect(drawing).to_be_visible()
        assert drawing.get_attribute("aria-labelledby")
    expect(page.locator(".masthead nav").first).to_be_hidden()
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") in {
        "rgb(255, 255, 255)",
        "rgba(0, 0, 0, 0)",
    }
    paper = page.pdf(format="A4", margin=dict.fromkeys(("top", "right", "bottom", "left"), "12mm"))
    assert paper.startswith(b"%PDF-")
    keep = os.environ.get("BOREWRIGHT_SCREENSHOTS")
    if keep:
        name = "-".join(urlsplit(page.url).path.split("/")[1:2]) + f"-{len(page.url)}"
        Path(keep, f"{name}.pdf").write_bytes(paper)
        page.screenshot(path=str(Path(keep, f"{name}-print.png")), full_page=True)
