"""Every page of the operator against axe-core's rules (WCAG 2 and its best practices), light and dark."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import redis
from playwright.sync_api import Browser, sync_playwright

from service.app import create_app
from service.settings import Settings
from tests.service.demo_shop import hand_in_demo_jobs, load_demo_shop
from tests.service.live_pages import Server, reader
from tests.service.test_pages_browser import CHROMIUM_FLAGS
from workers.model.outcome import Report
from workers.store.claims import Taking
from workers.tasks import record_outcome

pytestmark = pytest.mark.browser
AXE = (Path(__file__).parent / "vendor" / "axe.min.js").read_text(encoding="utf-8")
RUN = (
    "axe.run({resultTypes: ['violations']}).then(found => found.violations.map("
    "v => `${v.id}: ${v.help}: ${v.nodes.slice(0, 3).map(n => n.html.slice(0, 120)).join(' | ')}`))"
)


@pytest.fixture
def server(redis_client: redis.Redis, redis_url: str) -> Iterator[Server]:
    server = Server(create_app(Settings(redis_url=redis_url))).start()
    load_demo_shop(server.app)
    yield server
    server.stop()


@pytest.fixture(scope="module")
def browser(chromium: Path) -> Iterator[Browser]:
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=str(chromium), args=CHROMIUM_FLAGS)
        yield started
        started.close()


def paths(server: Server) -> dict[str, str]:
    """A page of each kind, with something on it: one copy printed and out of line, one in the works."""
    ids = hand_in_demo_jobs(server.app)
    server.work()
    stores = server.stores
    busy, other = [m for m in stores.dispatch.machines() if stores.dispatch.get(m).listed][:2]
    for number, machine in enumerate((busy, other)):
        stores.claims.take(Taking(machine_id=machine, claimant="Night shift", lease_s=600, claim_id=f"c{number}"))
    stores.claims.finish("c0", Report(accepted=True, print_h=900.0))
    outcome = record_outcome(stores, "c0")
    assert outcome is not None
    assert outcome.flags
    job = next(one.entry.job_id for m in stores.dispatch.machines() for one in stores.dispatch.get(m).listed)
    source = stores.dispatch.machine_of(job)
    return {
        "shop": "/",
        "queue": "/queue",
        "hand-in": "/hand-in",
        "machine": f"/machines/{other}",
        "claim": "/claims/c1",
        "outcome": f"/outcomes/{outcome.id}",
        "move": f"/machines/{source}/move?job_id={job}&position=best",
        "job": f"/jobs/{ids['Guide for a 5 mm pin']}",
        "unroutable": f"/jobs/{ids['Full-length cable trough']}",
    }


def test_no_page_breaks_a_rule_of_axe(browser: Browser, server: Server) -> None:
    with reader(browser, server) as seen:
        found = {}
        for name, path in paths(server).items():
            page = seen.open(path)
            page.evaluate(AXE)
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
                found[name, scheme] = page.evaluate(RUN)
            page.close()
    assert {where: rules for where, rules in found.items() if rules} == {}


def test_axe_finds_what_is_wrong(browser: Browser, server: Server) -> None:
    """The check can fail: a field without a label and pale text are found."""
    with reader(browser, server) as seen:
        page = seen.open("/queue")
        page.evaluate("document.querySelector('main').append(document.createElement('input'))")
        page.evaluate("document.querySelector('h1').style.color = '#ddd'")
        page.evaluate(AXE)
        rules = {rule.partition(":")[0] for rule in page.evaluate(RUN)}
    assert {"label", "color-contrast"} <= rules
