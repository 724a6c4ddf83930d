"""Whole ways through the pages in one browser: from a mesh to what its print taught, and from a plan to the lists."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator

import pytest
import redis
from playwright.sync_api import Browser, Page, expect

from service.app import create_app
from service.settings import Settings
from tests.service import api_bodies as bodies
from tests.service.browsers import WITH_GL
from tests.service.demo_shop import load_demo_shop
from tests.service.live_pages import Server, reader, until
from tests.service.mesh_visit import PLATE
from workers import tasks
from workers.tasks import record_outcome

pytestmark = pytest.mark.browser
CHROMIUM_FLAGS = WITH_GL
ANSWERED = "n => performance.getEntriesByName(location.origin + '/v1/routing-queries').length > n"


@pytest.fixture
def server(redis_client: redis.Redis, redis_url: str) -> Iterator[Server]:
    server = Server(create_app(Settings(redis_url=redis_url))).start()
    yield server
    server.stop()


def hand_in_mesh(page: Page) -> None:
    page.get_by_label("Mesh file").set_input_files({"name": "carrier.stl", "mimeType": "model/stl", "buffer": PLATE})
    page.get_by_role("button", name="Read the mesh").click()
    page.wait_for_url("**/hand-in/parts/p-*")


def test_from_a_mesh_to_what_its_print_has_taught(browser: Browser, server: Server) -> None:
    load_demo_shop(server.app)
    with reader(browser, server) as seen:
        page = seen.open("/hand-in")
        hand_in_mesh(page)
        expect(page.locator("#phase")).to_have_text("waiting for a worker")
        assert tasks.analyse_next(server.stores, "test") is not None
        page.get_by_text("round hole, 6 mm diameter").click()
        page.locator("#feature-1").get_by_label("Class, as H11").fill("H13")
        page.get_by_label("PLA, plain").check()
        page.get_by_role("button", name="Hand it in").click()
        expect(page.get_by_text("waits to be routed", exact=True)).to_be_visible()
        machine = _watch_it_routed_and_read_why(page, server)
        _take_and_finish(page, machine)
        (outcome,) = server.stores.outcomes.page().items or [record_outcome(server.stores, _claim(server))]
        assert outcome is not None
        page.goto("/evidence")
        rows = page.locator("table.stack tbody tr")
        expect(rows.filter(has_text="1 copy")).to_have_count(1)
        expect(rows.filter(has_text="1 measured")).to_have_count(1)
        page.goto(f"/outcomes/{outcome.id}")
        expect(page.get_by_role("row", name=re.compile("hole-2"))).to_contain_text("6.03 mm")


def _watch_it_routed_and_read_why(page: Page, server: Server) -> str:
    """The page turns to the routing by itself; gives the path of the machine on whose list the job is."""
    server.work()
    expect(page.get_by_role("heading", name="Where it prints")).to_be_visible()
    expect(page.locator(".answer")).to_contain_text("mm wide")
    expect(page.get_by_role("img", name=re.compile("^Fit, weight"))).to_be_visible()
    expect(page.get_by_role("img", name=re.compile("^hole-2: predicted size"))).to_be_visible()
    expect(page.get_by_role("heading", name="What was ruled out")).to_be_visible()
    expect(page.get_by_text("on a dispatch list", exact=True)).to_be_visible()
    (job,) = server.stores.jobs.page().items
    return f"/machines/{server.stores.dispatch.machine_of(job.id)}"


def _take_and_finish(page: Page, machine: str) -> None:
    page.goto(machine)
    page.get_by_label("Who takes it").fill("Early shift")
    page.get_by_role("button", name=re.compile("^Take the next copy: carrier")).click()
    page.get_by_label("Accepted").check()
    page.get_by_label("hole-2").fill("6,03")
    page.get_by_role("button", name="It is finished").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Accepted")


def _claim(server: Server) -> str:
    events = server.stores.events.newest(50)
    return next(str(one.data["claim_id"]) for one in events if one.kind == "claim.finished")


def test_a_plan_is_asked_for_watched_put_into_force_and_seen_by_another(browser: Browser, server: Server) -> None:
    """Four jobs wait on one machine; another, alike, has come into the shop since."""
    client = server.app.test_client()
    for path, body in (
        ("machines", bodies.machine()),
        ("nozzles", bodies.nozzle(machine_id="alder", slot=1)),
        ("materials", bodies.material()),
        ("spools", bodies.spool(machine_id="alder", slot=1)),
        *(("jobs", bodies.job(name=name)) for name in ("First", "Second", "Third", "Fourth")),
    ):
        assert client.post(f"/v1/{path}", json=body).status_code in {201, 202}
    server.work()
    assert client.post("/v1/machines", json=bodies.machine(id="birch", name="Birch")).status_code == 201
    nozzle = bodies.nozzle(id="n-2", name="0.4 brass, second", machine_id="birch", slot=1)
    assert client.post("/v1/nozzles", json=nozzle).status_code == 201
    with reader(browser, server) as operator, reader(browser, server) as other:
        page, shop = operator.open("/plans"), other.open("/")
        expect(shop.locator('[data-region="bench.birch"] [data-job]')).to_have_count(0)
        page.get_by_label("Time to search, at most").select_option("5")
        page.get_by_text("What counts how much").click()
        page.get_by_label("Quality given up").fill("0")
        page.get_by_role("button", name="Make a plan").click()
        expect(page.get_by_role("heading", name="It is being worked out")).to_be_visible()
        worker = threading.Thread(target=tasks.run_next, args=(server.stores, "planner"))
        worker.start()
        expect(page.get_by_role("heading", name="What it would bring")).to_be_visible()
        worker.join()
        expect(page.locator(".answer")).to_contain_text("2 jobs move")
        expect(page.get_by_role("heading", name="List by list")).to_be_visible()
        page.get_by_role("button", name="Put it into force").click()
        expect(page.get_by_role("heading", name="What was moved")).to_be_visible()
        expect(shop.locator('[data-region="bench.birch"] [data-job]')).to_have_count(2)


def test_the_sliders_route_anew_at_each_key_and_go_back(browser: Browser, server: Server) -> None:
    load_demo_shop(server.app)
    client = server.app.test_client()
    job = {**bodies.job(name="Guide"), "material": {"material_ids": ["pla", "petg"]}}
    job_id = client.post("/v1/jobs", json=job).get_json()["id"]
    server.work()
    with reader(browser, server) as seen:
        page = seen.open(f"/jobs/{job_id}")
        slider, said = page.get_by_label("Time", exact=True), page.locator("output[for=w-time]")
        expect(said).to_contain_text("%")
        start = said.inner_text()
        asked: list[str] = []
        page.on("response", lambda r: asked.append(r.url) if "routing-queries" in r.url else None)
        slider.focus()
        for key in ("ArrowRight", "PageUp", "End"):
            count, before = len(asked), slider.input_value()
            page.keyboard.press(key)
            expect(slider).not_to_have_value(before)
            until(page, ANSWERED, count)
        expect(page.locator(".what-if")).to_contain_text("Print on")
        assert len(asked) == 3
        page.keyboard.press("Tab")
        page.get_by_role("button", name="Back to the job's own weights").focus()
        page.keyboard.press("Enter")
        expect(said).to_have_text(start)
