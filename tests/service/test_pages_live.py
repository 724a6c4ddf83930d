"""The operator's pages in a real Chromium: live changes, moves with their cost, claims and outcomes, a restart."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
import redis
from playwright.sync_api import Browser, Page, expect

from service.app import create_app
from service.settings import Settings
from tests.service import api_bodies as bodies
from tests.service.browsers import PATIENCE_MS
from tests.service.live_pages import Server, reader
from workers.store.claims import Taking

pytestmark = pytest.mark.browser


@pytest.fixture
def server(redis_client: redis.Redis, redis_url: str) -> Iterator[Server]:
    """Two machines alike with three jobs between them; no name is a real one."""
    server = Server(create_app(Settings(redis_url=redis_url))).start()
    client = server.app.test_client()
    for path, body in (
        ("machines", bodies.machine()),
        ("machines", bodies.machine(id="birch", name="Birch", hourly_cost=3)),
        ("nozzles", bodies.nozzle(machine_id="alder", slot=1)),
        ("nozzles", bodies.nozzle(id="n-040-2", name="0.4 brass, second", machine_id="birch", slot=1)),
        ("materials", bodies.material()),
        ("spools", bodies.spool(machine_id="alder", slot=1)),
        ("spools", bodies.spool(id="s-02", machine_id="birch", slot=1)),
    ):
        assert client.post(f"/v1/{path}", json=body).status_code == 201
    hand_in(server, "First guide", "Second guide", "Third guide")
    yield server
    server.stop()


def hand_in(server: Server, *names: str) -> None:
    for name in names:
        assert server.app.test_client().post("/v1/jobs", json=bodies.job(name=name)).status_code == 202
    server.work()


def listed(server: Server) -> dict[str, str]:
    """Machine of each job, by name."""
    stores = server.stores
    return {one.entry.name: m for m in stores.dispatch.machines() for one in stores.dispatch.get(m).listed}


def busy_machine(server: Server) -> str:
    found = list(listed(server).values())
    return max(set(found), key=found.count)


def test_two_browsers_see_the_same_change_and_outlive_a_restart(browser: Browser, server: Server) -> None:
    with reader(browser, server) as first, reader(browser, server) as second:
        pages = [one.open("/") for one in (first, second)]
        hand_in(server, "Handed in meanwhile")
        for page in pages:
            expect(page.locator(".benches")).to_contain_text("Handed in meanwhile")
        server.stop()
        for page in pages:
            expect(page.locator("[data-live]")).to_contain_text("does not answer")
        hand_in(server, "Handed in unseen")  # straight into the store: nobody is told now
        server.start()
        for page in pages:
            expect(page.locator(".benches")).to_contain_text("Handed in unseen")
            expect(page.locator("[data-live]")).to_be_hidden()
        for one in (first, second):  # Chromium says of every request to a server that is down that it failed
            one.faults[:] = [f for f in one.faults if "ERR_CONNECTION" not in f and "ERR_INCOMPLETE" not in f]


def test_nothing_changes_under_the_pointer_until_it_is_asked_for(browser: Browser, server: Server) -> None:
    with reader(browser, server) as seen:
        page = seen.open("/")
        where = listed(server)
        bench = page.locator(f'[data-region="bench.{where["First guide"]}"]')
        bench.get_by_role("heading").hover()
        before = bench.inner_text()
        server.stores.claims.take(Taking(machine_id=where["First guide"], claimant="x", lease_s=60, claim_id="c1"))
        bench.get_by_role("button", name="Changed, show").wait_for(timeout=PATIENCE_MS)
        assert bench.inner_text().replace("Changed, show", "").strip() == before.strip()
        bench.get_by_role("button", name="Changed, show").click()
        expect(bench).to_contain_text("Finish or give back")


def test_a_change_elsewhere_leaves_what_has_the_focus_where_it_is(browser: Browser, server: Server) -> None:
    """The list of what needs a hand stands above the machines on a phone and grows; nothing may jump."""
    with reader(browser, server, viewport={"width": 360, "height": 640}) as seen:
        page = seen.open("/")
        link = page.locator('[data-region="bench.birch"] h3 a')
        link.focus()
        top = "document.activeElement.getBoundingClientRect().top"
        before = page.evaluate(top)
        server.app.test_client().put(
            "/v1/machines/alder/state", json={"state": "down", "reason": "belt"}, headers={"If-Match": "*"}
        )
        expect(page.locator(".needs")).to_contain_text("belt")
        assert abs(page.evaluate(top) - before) <= 2


def test_a_job_is_moved_by_keyboard_with_its_cost_shown_first(browser: Browser, server: Server) -> None:
    source = busy_machine(server)
    name = next(n for n, m in listed(server).items() if m == source)
    other = "birch" if source == "alder" else "alder"
    with reader(browser, server) as seen:
        page = seen.open(f"/machines/{source}")
        page.get_by_role("link", name=f"Elsewhere for {name}").focus()
        page.keyboard.press("Enter")
        dialog = page.get_by_role("dialog")
        expect(dialog.get_by_role("heading", name=f"Move {name}")).to_be_visible()
        expect(dialog.get_by_label("To", exact=True)).to_be_focused()
        dialog.get_by_label("To").select_option(other)
        expect(dialog.locator(".answer")).to_contain_text("the lists cost")
        assert listed(server)[name] == source, "nothing is moved before it is confirmed"
        dialog.get_by_role("button", name=re.compile("^Move it")).focus()
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", level=1)).to_have_text(
            {"alder": "Alder, by the window", "birch": "Birch"}[other]
        )
    assert listed(server)[name] == other


def test_a_drag_asks_with_the_cost_and_a_move_works_without_scripts(browser: Browser, server: Server) -> None:
    source = busy_machine(server)
    other = "birch" if source == "alder" else "alder"
    with reader(browser, server) as seen:
        page = seen.open("/")
        row = page.locator(f'[data-region="bench.{source}"] [data-job]').first
        row.drag_to(page.locator(f'[data-region="bench.{other}"]'))
        dialog = page.get_by_role("dialog")
        expect(dialog.locator(".answer")).to_contain_text("the lists cost")
        dialog.get_by_role("button", name="Leave it where it is").click()
        expect(dialog).to_be_hidden()
    assert source in listed(server).values()
    with reader(browser, server, java_script_enabled=False) as seen:
        page = seen.open(f"/machines/{source}")
        page.get_by_role("link", name=re.compile("^Later")).first.click()
        expect(page.locator(".answer")).to_have_text(re.compile("^At place 2"))
        page.get_by_role("button", name=re.compile("^Move it")).click()
        expect(page).to_have_url(re.compile(f"/machines/{source}#list$"))


def test_a_copy_is_claimed_finished_with_sizes_and_the_evidence_has_them(browser: Browser, server: Server) -> None:
    """The whole way with scripts off: every step is a plain form."""
    machine = busy_machine(server)
    with reader(browser, server, java_script_enabled=False, viewport={"width": 360, "height": 800}) as seen:
        page = seen.open(f"/machines/{machine}")
        page.get_by_label("Who takes it").fill("Early shift")
        page.get_by_role("button", name=re.compile("^Take the next copy")).click()
        page.get_by_label("Done (percent, may be left out)").fill("40")
        with page.expect_navigation():  # to the same page, which looks alike
            page.get_by_role("button", name="Hold on to it").click()
        expect(page.get_by_label("Done (percent, may be left out)")).to_have_value("40")
        _finish_wrong(page)
        seen.faults[:] = [f for f in seen.faults if "422" not in f]  # Chromium logs every 4xx answer
        page.get_by_label("pin bore").fill("6,05")
        page.get_by_role("button", name="It is finished").click()
        expect(page.get_by_role("heading", level=1)).to_have_text(re.compile("^Accepted"))
        expect(page.locator("table.evidence")).to_contain_text("1 print, ")
        expect(page.locator("table.evidence")).to_contain_text("1 size measured")
    evidence = server.app.test_client().get(f"/v1/evidence?machine_id={machine}").json["items"]
    assert sorted(one["sums"]["sized"] for one in evidence) == [0, 1]
    (outcome,) = server.stores.outcomes.page().items
    assert (outcome.accepted, [s.measured_mm for s in outcome.sizes]) == (True, [6.05])


def _finish_wrong(page: Page) -> None:
    page.get_by_label("Accepted").check()
    page.get_by_label("pin bore").fill("six")
    page.get_by_role("button", name="It is finished").click()
    expect(page.get_by_role("alert")).to_be_visible()
    expect(page.get_by_label("pin bore")).to_have_value("six")
    expect(page.get_by_label("Accepted")).to_be_checked()


def test_a_weight_moved_routes_the_job_again_at_once(browser: Browser, server: Server) -> None:
    job = server.stores.jobs.page().items[0]
    with reader(browser, server) as seen:
        page = seen.open(f"/jobs/{job.id}")
        page.get_by_label("Time", exact=True).focus()
        page.keyboard.press("End")
        expect(page.locator(".what-if")).to_contain_text("Print on")
        rows = page.locator("#weights tbody tr")
        asked = {"detail": 30, "fit": 30, "clog": 20, "time": 100}
        answer = server.app.test_client().post(
            "/v1/routing-queries", json=bodies.job(name=job.spec.name, emphasis=asked)
        )
        wanted = [answer.json["routing"]["chosen"], *answer.json["routing"]["others"]]
        expect(rows).to_have_count(min(len(wanted), 5))
        shown = rows.first.locator("td").last.inner_text().replace("\N{MINUS SIGN}", "-")
        assert float(shown) == pytest.approx(wanted[0]["utility"], abs=5.1e-5)
        assert server.stores.jobs.get(job.id).version == job.version, "nothing is kept"


def test_moments_stand_in_the_zone_of_the_reader(browser: Browser, server: Server) -> None:
    """Kathmandu is 5 h 45 min ahead of UTC (IANA time zone database), so the minutes differ as well."""
    job = server.stores.jobs.page().items[0]
    with reader(browser, server, timezone_id="Asia/Kathmandu", locale="en-GB") as seen:
        moment = seen.open(f"/jobs/{job.id}").locator("time").first
        utc = moment.get_attribute("data-utc") or ""
        hour, minute = map(int, re.findall(r"(\d\d):(\d\d) UTC", utc)[0])
        total = (hour * 60 + minute + 345) % 1440
        expect(moment).to_contain_text(f"{total // 60:02d}:{total % 60:02d}")
