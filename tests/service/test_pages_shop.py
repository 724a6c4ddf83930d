"""The operator's pages over a test client: what needs a hand, the week, forms by scope, the size of the first view."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from flask.testing import FlaskClient

from service.pages import kept_benches, shop_pages
from tests.benchmarks.full_shop import MACHINES, fill
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from tests.service.page_reader import Element, fields_of, read
from tests.store.dispatching import lapse_now
from workers.model.access import Scope
from workers.model.outcome import Report
from workers.store.claims import Taking
from workers.tasks import drain_and_bind, record_outcome

ALDER = "/machines/alder"


def handed_in(api: Caller, *names: str, **changes: Any) -> list[str]:
    job_ids = [api.made("/v1/jobs", bodies.job(name=name, **changes))["id"] for name in names]
    drain_and_bind(api.stores, "test")
    return job_ids


def page(client: FlaskClient, path: str, status: int = 200) -> Element:
    answer = client.get(path)
    assert answer.status_code == status, answer.text
    return read(answer.text)


def needs(api: Caller) -> list[str]:
    return [one.text() for one in page(api.client, "/").one("section", data_region="needs").all("li")]


def taken(api: Caller, claim_id: str = "c1") -> str:
    taking = Taking(machine_id="alder", claimant="Night shift", lease_s=600, claim_id=claim_id)
    api.stores.claims.take(taking)
    return claim_id


def send(api: Caller, path: str, action: str, **typed: str) -> Any:
    form = page(api.client, path).one("form", action=action)
    return api.client.post(action, data=fields_of(form) | typed)


# What needs a hand


def test_a_lapsed_claim_is_named_until_somebody_takes_the_copy_up(shop: Caller) -> None:
    handed_in(shop, "Left on the bed")
    lapse_now(shop.stores, taken(shop))
    (said,) = (one for one in needs(shop) if one.startswith("Claim lapsed"))
    assert "Left on the bed, copy 1, on Alder, by the window" in said
    taken(shop, "c2")
    assert not any(one.startswith("Claim lapsed") for one in needs(shop))


def test_wet_spools_worn_nozzles_and_stale_calibrations_are_named(api: Caller) -> None:
    """Brass is good for little abrasive filament, a calibration of two years ago for little; both are our priors."""
    two_years_ago, two_days_ago = time.time() - 2 * 365 * 86_400, time.time() - 2 * 86_400
    api.made("/v1/machines", bodies.machine())
    api.made("/v1/nozzles", bodies.nozzle(machine_id="alder", slot=1, abrasive_cm3=100_000))
    api.made("/v1/materials", bodies.material(moisture_limit_h=12, drying_temp_c=50, drying_h=6))
    dried = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(two_days_ago))
    api.made("/v1/spools", bodies.spool(machine_id="alder", slot=1, dried_at=dried))
    measured = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(two_years_ago))
    api.made("/v1/calibrations", bodies.calibration(calibrated_at=measured))
    said = needs(api)
    assert (
        "Wet spool Plain PLA, grey on Alder, by the window was dried 48 h ago and stands 12 h; dry it at 50 °C for 6 h."
        in said
    )
    assert any(one.startswith("Worn nozzle 0.4 brass, first on Alder") for one in said)
    assert any(one.startswith("Stale calibration Alder") and "it is 730 days old" in one for one in said)


def test_of_many_alike_the_rest_is_counted(shop: Caller) -> None:
    for i in range(8):
        shop.made("/v1/spools", bodies.spool(id=f"low-{i}", remaining_g=5))
    said = [one for one in needs(shop) if one.startswith("Spool")]
    assert len(said) == 4
    assert said[-1] == "Spool 5 more."


# The week


def test_the_week_sets_what_was_found_beside_what_was_expected(shop: Caller) -> None:
    (job_id,) = handed_in(shop, "Twice", quantity=2)
    expected = shop.stores.jobs.routing(job_id).chosen
    for claim_id, accepted in (("c1", True), ("c2", False)):
        taken(shop, claim_id)
        shop.stores.claims.finish(claim_id, Report(accepted=accepted, sizes=(("pin bore", 6.05),)))
        record_outcome(shop.stores, claim_id)
    week = page(shop.client, "/").one("section", data_region="week")
    rows = {row.one("th").text(): [cell.text() for cell in row.all("td")] for row in week.one("tbody").all("tr")}
    wanted, found = rows["Good copies of 2"]
    assert float(wanted) == pytest.approx(2 * expected.good_share, abs=0.051)
    assert found == "1"
    assert rows["Sizes within limits of 2"][1] == "2", "6.05 mm is within H11 of 6 mm: 6 to 6.075 (ISO 286-2)"


def test_what_is_out_of_line_is_confirmed_by_its_form_and_then_known(shop: Caller) -> None:
    handed_in(shop, "Slow one")
    shop.stores.claims.finish(taken(shop), Report(accepted=True, print_h=900.0))
    outcome = record_outcome(shop.stores, "c1")
    assert outcome is not None
    path = f"/outcomes/{outcome.id}"
    assert any(one.startswith("Out of line Alder") for one in needs(shop))
    assert "Nothing yet." in page(shop.client, path).text()
    assert send(shop, path, f"{path}/confirm", reason="timed twice").status_code == 303
    assert "1 print, 1 timed" in page(shop.client, path).one("table", **{"class": "evidence"}).text()
    assert not any(one.startswith("Out of line") for one in needs(shop))
    assert send(shop, path, f"{path}/withdraw").status_code == 303
    assert "withdrawn" in page(shop.client, path).text()


# Forms


def test_the_same_form_sent_twice_takes_one_copy(shop: Caller) -> None:
    handed_in(shop, "Once", quantity=3)
    form = page(shop.client, ALDER).one("form", action=f"{ALDER}/take")
    values = fields_of(form) | {"claimant": "Early shift"}
    first, second = (shop.client.post(f"{ALDER}/take", data=values) for _ in range(2))
    assert first.location == second.location
    assert len(shop.stores.claims.held()) == 1
    assert shop.client.post(f"{ALDER}/take", data=values | {"once": "another"}).status_code == 409


@pytest.mark.parametrize(
    ("field", "typed"), [("print_h", "fast"), ("clogs", "many"), ("extruded_cm3", "-3"), ("size-0", "wide")]
)
def test_a_wrong_figure_comes_back_beside_its_field(shop: Caller, field: str, typed: str) -> None:
    handed_in(shop, "Measured")
    path = f"/claims/{taken(shop)}"
    answer = send(shop, path, f"{path}/finish", accepted="yes", **{field: typed})
    assert answer.status_code == 422
    box = read(answer.text).one("input", name=field)
    assert (box.get("value"), box.get("aria-invalid")) == (typed, "true")
    assert shop.stores.claims.get("c1").state == "held"


def test_a_copy_is_given_back_and_one_that_is_scrapped_waits_again(shop: Caller) -> None:
    (job_id,) = handed_in(shop, "Twice tried")
    path = f"/claims/{taken(shop)}"
    assert send(shop, path, f"{path}/give-back", reason="no bed free").location == ALDER
    path = f"/claims/{taken(shop, 'c2')}"
    form = {"accepted": "no", "scrap_reason": "warped", "remake": "yes"}
    assert send(shop, path, f"{path}/finish", **form).status_code == 303
    assert shop.stores.jobs.get(job_id).state == "bound"
    assert shop.stores.outcomes.page().items[0].scrap_reason == "warped"


def test_a_move_is_refused_where_the_list_changed_after_its_cost_was_shown(shop: Caller) -> None:
    first, second = handed_in(shop, "First", "Second")
    path = f"{ALDER}/move?job_id={second}&position=1"
    values = fields_of(page(shop.client, path).one("form", method="post"))
    handed_in(shop, "In between")
    answer = shop.client.post(f"{ALDER}/move", data=values)
    assert answer.status_code == 412
    listed = [one.entry.job_id for one in shop.stores.dispatch.get("alder").listed]
    assert listed[:2] == [first, second]


def test_a_move_that_cannot_be_says_why(shop: Caller) -> None:
    (job_id,) = handed_in(shop, "Stays")
    shop.made("/v1/machines", bodies.machine(id="birch", name="Birch"))
    said = page(shop.client, f"{ALDER}/move?job_id={job_id}&to=birch").one("p", role="alert").text()
    assert "no candidate on" in said
    assert page(shop.client, f"{ALDER}/move?job_id=none", 404)


def test_who_may_only_read_sees_no_form_and_no_move(make_api: Callable[..., Caller]) -> None:
    api = make_api(access="keys")
    open_api = make_api().stocked()
    _, job_id = handed_in(open_api, "Printed", "Waits")
    taken(open_api)
    for scope, forms in ((Scope.READ, False), (Scope.OPERATE, True)):
        key = api.stores.access.create(f"{len(scope)}{'0' * 25}", scope, tuple({Scope.READ, scope}))[1]
        for path in ("/", ALDER, "/claims/c1", f"/jobs/{job_id}"):
            answer = api.client.get(path, headers={"Authorization": f"Bearer {key}"})
            assert answer.status_code == 200, answer.text
            shown = read(answer.text)
            actions = [one for one in shown.all("form") if one.get("action") != "/sign-out"]
            moves = [one for one in shown.all("a") if one.get("class") in {"move", "act-link"}]
            assert bool(actions or moves) == forms, f"{scope} {path}"


# Regions and size


def test_a_region_by_itself_is_the_one_of_the_page(shop: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    handed_in(shop, "A", "B")
    now = time.time()  # one moment for both, or the minutes may differ
    monkeypatch.setattr(shop_pages, "time", SimpleNamespace(time=lambda: now))
    whole = page(shop.client, "/")
    asked = page(shop.client, "/regions?of=needs&of=jobs&of=week&of=bench.alder&of=bench.gone&of=odd")
    for name in ("needs", "jobs", "week", "bench.alder"):
        assert asked.one("section", data_region=name).text() == whole.one("section", data_region=name).text()
    assert len([one for one in asked.all("section") if one.get("data-region")]) == 4


def test_a_long_list_is_cut_short_and_says_so(shop: Caller) -> None:
    handed_in(shop, *(f"Guide {i}" for i in range(6)))
    bench = page(shop.client, "/").one("section", data_region="bench.alder")
    assert len([one for one in bench.all("li") if one.get("data-job")]) == 3
    assert "All 6 on the list" in bench.text()


def test_the_first_view_of_fifty_busy_machines_stays_below_300_kilobytes(api: Caller) -> None:
    """Some jobs on each list, of which three are named: more jobs only change how many there are said to be."""
    fill(api.stores, MACHINES, 8 * MACHINES)
    first = api.get("/")
    sheets = [one for one in read(first.text).all("section") if one.get("data-region").startswith("bench.")]
    assert len(sheets) == MACHINES
    assert all(len([one for one in sheet.all("li") if one.get("data-job")]) == 3 for sheet in sheets)
    names = set(re.findall(r'(?:src|href)="/assets/([^"]+)"', first.text))
    assert names == {"borewright.css", "times.js", "live.js", "move.js", "bores.svg"}
    sent = len(first.data) + sum(len(api.get(f"/assets/{name}").data) for name in names)
    assert sent < 300_000


def test_a_machine_is_drawn_anew_when_something_of_it_changes_and_only_then(
    shop: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    handed_in(shop, "A", "B")
    drawn: list[str] = []
    real = kept_benches.bench_view
    monkeypatch.setattr(kept_benches, "bench_view", lambda *args: drawn.append(args[1].id) or real(*args))
    monkeypatch.setattr(shop_pages, "time", SimpleNamespace(time=lambda: 1_000_000.0))  # its times do not age
    for _ in range(2):
        page(shop.client, "/")
    assert drawn == ["alder"]
    taken(shop)
    assert "Finish or give back" in page(shop.client, "/").one("section", data_region="bench.alder").text()
    assert shop.post("/v1/claims/c1/renewal", {"progress": 0.5}).status_code == 200
    assert "50 % done" in page(shop.client, "/").one("section", data_region="bench.alder").text()
    shop.put("/v1/machines/alder/state", {"state": "down", "reason": "belt"}, If_Match="*")
    assert "down" in page(shop.client, "/").one("section", data_region="bench.alder").text()
    assert len(drawn) == 4


def test_expected_times_of_a_kept_machine_do_not_grow_old(shop: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    handed_in(shop, "A")

    def done_at() -> str:
        bench = page(shop.client, "/").one("section", data_region="bench.alder")
        return next(bench.all("time")).get("datetime")

    first = done_at()
    now = time.time() + 3600.0
    monkeypatch.setattr(shop_pages, "time", SimpleNamespace(time=lambda: now))
    assert done_at() > first


# How the floor stands, and where one job stands on it


def floor(api: Caller) -> str:
    return page(api.client, "/regions?of=floor").one("p", data_region="floor").text()


def test_one_line_says_how_many_machines_print_stand_idle_and_are_down(shop: Caller) -> None:
    assert floor(shop) == "Nothing prints now ; 1 has nothing to do."
    handed_in(shop, "First", "Second")
    assert floor(shop) == "Nothing prints now ; 1 stands idle though jobs wait there ."
    taken(shop)
    assert floor(shop) == "1 of 1 machine prints ."
    down = {"state": "down", "reason": "belt"}
    shop.made("/v1/machines", bodies.machine(id="birch", name="Birch"))
    assert shop.put("/v1/machines/birch/state", down, If_Match="*").status_code == 200
    assert floor(shop) == "1 of 2 machines print ; 1 is down."
    assert "1 of 2 machines print" in page(shop.client, "/").one("section", data_region="benches").text()


def test_the_shop_says_why_each_job_waits_where_it_does(shop: Caller) -> None:
    handed_in(shop, "Alone", priority=3)
    (row,) = page(shop.client, "/").one("section", data_region="bench.alder").one("ol").all("li")
    assert "0.4 brass, first, Plain PLA, grey: priority 3, no setup before it" in row.text()


def test_a_job_s_page_says_on_whose_list_it_is_and_when_it_is_expected(shop: Caller) -> None:
    first, second = handed_in(shop, "First", "Second")
    title = page(shop.client, f"/jobs/{second}").one("dl", **{"class": "title-block"})
    assert title.one("a").get("href") == f"{ALDER}#list"
    assert "place 2" in title.text()
    _, expected, earlier, later = (one.get("datetime") for one in title.all("time"))  # the first: handed in
    assert earlier <= expected <= later
    taken(shop)
    printing = page(shop.client, f"/jobs/{first}").one("dl", **{"class": "title-block"}).text()
    assert "On the list of Alder" in printing
    assert "Expected to be done" in printing
    assert "place" not in printing


def test_a_job_on_no_list_has_no_place(shop: Caller) -> None:
    job_id = shop.made("/v1/jobs", bodies.job())["id"]
    assert "On the list of" not in page(shop.client, f"/jobs/{job_id}").text()
