"""The pages over a test client, on a real Redis: what they say, what they refuse, what they never send."""

from __future__ import annotations

import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from threading import Barrier

import pytest
from werkzeug.test import TestResponse

from service.pages import guard, intake
from service.pages.wording import machine_time
from tests.service.conftest import Caller
from tests.service.demo_shop import hand_in_demo_jobs, load_demo_shop
from tests.service.page_reader import Element, fields_of, read
from workers.model.errors import FieldProblem
from workers.model.job import JobState
from workers.routing.explain import contributions
from workers.tasks import drain_and_bind, drain_inbox


class Reader:
    """A person with a browser: keeps cookies, fills forms in as they stand on the page."""

    def __init__(self, api: Caller) -> None:
        self.app, self.stores = api.app, api.stores
        self.client = api.app.test_client()

    def page(self, path: str, status: int = 200) -> Element:
        answer = self.client.get(path)
        assert answer.status_code == status, answer.text
        assert answer.mimetype == "text/html"
        return read(answer.text)

    def send(self, path: str, action: str, **typed: str | list[str]) -> TestResponse:
        """Open the page at ``path``, fill its form for ``action`` in and send it. ``__`` stands for a dot."""
        form = self.page(path).one("form", action=action)
        values: dict[str, str | list[str]] = dict(fields_of(form))
        values |= {name.replace("__", "."): value for name, value in typed.items()}
        return self.client.post(action, data=values)

    def hand_in(self, **typed: str | list[str]) -> TestResponse:
        return self.send("/hand-in", "/hand-in", **(PART | typed))

    def handed_in(self, **typed: str | list[str]) -> str:
        """The job's id."""
        answer = self.hand_in(**typed)
        assert answer.status_code == 303, read(answer.text).text()
        return answer.location.rsplit("/", 1)[1]

    def route(self) -> None:
        drain_inbox(self.stores, "test")


PART: dict[str, str | list[str]] = {
    "name": "Hinge, left",
    "summary__extent_x_mm": "40",
    "summary__extent_y_mm": "20",
    "summary__extent_z_mm": "12,5",
    "summary__volume_cm3": "6.2",
}


@pytest.fixture
def reader(api: Caller) -> Reader:
    return Reader(api)


@pytest.fixture
def stocked(reader: Reader) -> Reader:
    load_demo_shop(reader.app)
    return reader


# Headers, tokens, forms


@pytest.mark.parametrize(
    "path", ["/", "/queue", "/hand-in", "/jobs/none", "/queue?state=odd", "/assets/borewright.css"]
)
def test_every_page_forbids_what_it_does_not_use(reader: Reader, path: str) -> None:
    """Content-Security-Policy level 3: default-src 'none' and a short list; no inline style or script is allowed."""
    answer = reader.client.get(path)
    policy = dict(part.strip().split(" ", 1) for part in answer.headers["Content-Security-Policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["form-action"] == policy["style-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert policy["script-src"] == policy["connect-src"] == "'self'"
    assert "unsafe" not in answer.headers["Content-Security-Policy"]
    assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_the_token_is_kept_from_scripts_and_foreign_sites(reader: Reader) -> None:
    cookie = reader.client.get("/hand-in").headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie


@pytest.mark.parametrize("token", ["", "x" * 43])
def test_a_form_without_the_token_is_refused(stocked: Reader, token: str) -> None:
    assert stocked.hand_in(form_token=token).status_code == 403
    assert stocked.stores.jobs.counts()[JobState.ACCEPTED] == 0


def test_a_form_from_another_site_is_refused(stocked: Reader) -> None:
    values = fields_of(stocked.page("/hand-in").one("form", action="/hand-in")) | {
        k.replace("__", "."): v for k, v in PART.items()
    }
    foreign = stocked.client.post("/hand-in", data=values, headers={"Origin": "http://elsewhere.example"})
    assert foreign.status_code == 403
    own = stocked.client.post("/hand-in", data=values, headers={"Origin": "http://localhost"})
    assert own.status_code == 303


def test_a_double_click_hands_in_once_and_a_changed_form_again(stocked: Reader) -> None:
    values = fields_of(stocked.page("/hand-in").one("form", action="/hand-in")) | {
        k.replace("__", "."): v for k, v in PART.items()
    }
    first, second = (stocked.client.post("/hand-in", data=values) for _ in range(2))
    third = stocked.client.post("/hand-in", data=values | {"name": "Hinge, right"})
    assert first.location == second.location != third.location
    assert stocked.stores.jobs.counts()[JobState.ACCEPTED] == 2


def test_two_clicks_at_the_same_moment_lead_to_one_job(stocked: Reader) -> None:
    values = fields_of(stocked.page("/hand-in").one("form", action="/hand-in")) | {
        k.replace("__", "."): v for k, v in PART.items()
    }
    cookie = f"{guard.COOKIE}={values[guard.FIELD]}"
    start = Barrier(2)

    def click() -> str:
        start.wait(timeout=10)
        answer = stocked.app.test_client(use_cookies=False).post("/hand-in", data=values, headers={"Cookie": cookie})
        return str(answer.location)

    with ThreadPoolExecutor(2) as pool:
        first, second = (future.result(timeout=30) for future in [pool.submit(click) for _ in range(2)])
    assert first == second
    assert first.startswith("/jobs/")
    assert stocked.stores.jobs.counts()[JobState.ACCEPTED] == 1


# The intake form


def test_what_was_typed_is_the_job(stocked: Reader) -> None:
    job_id = stocked.handed_in(
        summary__smallest__rib_mm="0,8",
        critical__rib_mm="yes",
        tolerances__0__name="bore",
        tolerances__0__nominal_mm="5.3",
        tolerances__0__mating__mate_mm="5",
        tolerances__0__mating__clearance_min_mm="0.1",
        tolerances__0__mating__clearance_max_mm="0.5",
        tolerances__2__kind="boss",
        tolerances__2__nominal_mm="12",
        tolerances__2__iso286="m",
        material__material_ids=["pla", "petg"],
        emphasis_choice="fit",
        use__load_bearing="yes",
        quantity="3",
        due="2027-03-04T16:30",
        infill_percent="35",
        note="By Thursday",
    )
    spec = stocked.stores.jobs.get(job_id).spec
    assert (spec.name, spec.quantity, spec.infill, spec.note) == ("Hinge, left", 3, 0.35, "By Thursday")
    assert (spec.summary.extent_z_mm, spec.summary.volume_mm3) == (12.5, 6200)
    assert spec.due_at is not None
    assert machine_time(spec.due_at) == "2027-03-04T16:30:00Z"
    assert spec.material.material_ids == ("pla", "petg")
    assert [(one.name, one.size_mm) for one in spec.critical] == [("thinnest rib or wall", 0.8)]
    bore, boss = spec.tolerances
    assert bore.mating is not None
    assert (bore.mating.mate_mm, bore.mating.clearance_max_mm) == (5, 0.5)
    assert (boss.kind, boss.iso2768, boss.name) == ("boss", "m", "size 3")
    assert spec.emphasis is not None
    assert spec.emphasis.fit > spec.emphasis.detail
    assert spec.use.load_bearing


def test_a_material_by_properties(stocked: Reader) -> None:
    job_id = stocked.handed_in(material__heat_deflection_min_c="90", material__flexible="no")
    need = stocked.stores.jobs.get(job_id).spec.material
    assert (need.material_ids, need.heat_deflection_min_c, need.flexible) == ((), 90, False)


@pytest.mark.parametrize(
    ("field", "typed"),
    [
        ("name", ""),
        ("summary.extent_x_mm", "4O"),
        ("summary.extent_z_mm", "-3"),
        ("summary.extent_y_mm", "1e9"),
        ("summary.volume_cm3", "600"),
        ("summary.smallest.slot_mm", "0"),
        ("tolerances.1.nominal_mm", "zero"),
        ("quantity", "2.5"),
        ("due", "soon"),
        ("infill_percent", "120"),
        ("material.heat_deflection_min_c", "hot"),
    ],
)
def test_a_problem_comes_back_beside_its_field_with_what_was_typed(stocked: Reader, field: str, typed: str) -> None:
    extra = {"tolerances__1__iso286": "H11"} if field.startswith("tolerances") else {}
    answer = stocked.hand_in(**{field.replace(".", "__"): typed}, **extra)
    assert answer.status_code == 422
    page = read(answer.text)
    box = page.one("input", name=field)
    assert box.get("value") == typed
    assert box.get("aria-invalid") == "true"
    said = page.one("p", id=f"e-{box.get('id')}")
    assert said.text()
    assert said.get("id") in box.get("aria-describedby").split()
    assert page.one("div", id="errors").one("a", href=f"#{box.get('id')}")
    assert page.one("input", name="summary.extent_x_mm").get("value") in {"40", typed}
    assert stocked.stores.jobs.counts()[JobState.ACCEPTED] == 0


def test_a_size_needs_exactly_one_way_to_say_its_limits(stocked: Reader) -> None:
    none = read(stocked.hand_in(tolerances__1__nominal_mm="8").text)
    assert intake.ONE_WAY in none.one("p", id="e-tolerances-1-iso286").text()
    two = stocked.hand_in(
        tolerances__1__nominal_mm="8",
        tolerances__1__iso286="H11",
        tolerances__1__limits__lower_mm="8",
        tolerances__1__limits__upper_mm="8.1",
    )
    assert intake.ONE_WAY in read(two.text).one("p", id="e-tolerances-1-iso286").text()


def test_a_class_that_does_not_exist_is_said_at_its_own_row(stocked: Reader) -> None:
    """Rows may be left empty before a filled one; ISO 286-1 has no class Z99."""
    answer = stocked.hand_in(tolerances__2__nominal_mm="8", tolerances__2__iso286="Z99")
    assert read(answer.text).one("p", id="e-tolerances-2-iso286").text()


def test_a_must_without_its_size_is_asked_for(stocked: Reader) -> None:
    answer = stocked.hand_in(critical__stroke_mm="yes")
    assert read(answer.text).one("p", id="e-summary-smallest-stroke_mm").text()


def test_a_material_that_left_the_shop_is_said(stocked: Reader) -> None:
    answer = stocked.hand_in(material__material_ids=["gone"])
    assert "gone" in read(answer.text).one("p", id="e-material-material_ids").text()


@pytest.mark.parametrize(
    ("pointer", "rows", "field"),
    [
        ("/summary/volume_mm3", [], "summary.volume_cm3"),
        ("/tolerances/0/nominal_mm", [2], "tolerances.2.nominal_mm"),
        ("/tolerances/1/mating/mate_mm", [0, 1], "tolerances.1.mating.mate_mm"),
        ("/material/material_ids/3", [], "material.material_ids"),
        ("/due_at", [], "due"),
        ("/nothing/like/that", [], ""),
    ],
)
def test_a_pointer_leads_to_its_field(pointer: str, rows: list[int], field: str) -> None:
    (problem,) = intake.problems_of([FieldProblem(pointer, "it is wrong")], rows)
    assert problem.field == field


# The job page


def test_a_job_waits_and_then_has_its_routing_with_every_part_of_the_reason(stocked: Reader) -> None:
    job_id = stocked.handed_in(
        tolerances__0__name="pin hole", tolerances__0__nominal_mm="5.3",
        tolerances__0__limits__lower_mm="5.1", tolerances__0__limits__upper_mm="5.5",
        material__material_ids=["petg", "pla"],
    )  # fmt: skip
    waiting = stocked.page(f"/jobs/{job_id}")
    assert list(waiting.all("meta", http_equiv="refresh"))
    stocked.route()
    page = stocked.page(f"/jobs/{job_id}")
    assert not list(page.all("meta", http_equiv="refresh"))
    routing = stocked.stores.jobs.routing(job_id)
    assert routing is not None
    assert routing.chosen is not None
    text = page.text()
    assert f"bead {routing.chosen.bead_width_mm:.2f} mm wide" in text
    rows = list(page.one("table", **{"class": "ranking stack pairs"}).one("tbody").all("tr"))
    assert len(rows) == 1 + len(routing.others)
    assert f"{routing.chosen.scores.detail:.3f}" in rows[0].text()
    assert [h.text() for h in page.all("h2")][:2] == ["Where it prints", "Take care"]
    assert "pin hole" in page.one("section", aria_labelledby="h-fits").text()
    refused = [row.text() for row in page.one("section", aria_labelledby="h-refused").one("tbody").all("tr")]
    assert any(row.startswith("Signal Loft") and "up down" in row for row in refused)


def test_the_contributions_shown_sum_to_the_lead(stocked: Reader) -> None:
    """The gap between two weighted sums of logarithms is the sum of the weighted differences (arithmetic)."""
    job_id = stocked.handed_in(material__material_ids=["petg", "pla"])
    stocked.route()
    routing = stocked.stores.jobs.routing(job_id)
    assert routing is not None
    assert routing.chosen is not None
    gap = routing.chosen.utility - routing.others[0].utility
    assert sum(one.share for one in contributions(routing)) == pytest.approx(gap, abs=1e-9)
    foot = stocked.page(f"/jobs/{job_id}").one("tfoot").text().split()[-1]
    assert float(foot.replace("\N{MINUS SIGN}", "-")) == pytest.approx(gap, abs=5.1e-5)


def test_the_bars_are_as_long_as_the_scores(stocked: Reader) -> None:
    job_id = stocked.handed_in(material__material_ids=["petg", "pla"])
    stocked.route()
    routing = stocked.stores.jobs.routing(job_id)
    assert routing is not None
    drawings = [s for s in stocked.page(f"/jobs/{job_id}").all("svg") if s.get("aria-labelledby").endswith("d-time")]
    (drawing,) = drawings
    assert drawing.one("title").text().startswith("Time, weight")
    assert drawing.one("desc").text()
    widths = [float(bar.get("width")) for bar in drawing.all("rect")]
    scores = [c.scores.time for c in (routing.chosen, *routing.others) if c is not None][: len(widths)]
    assert [w / widths[0] for w in widths] == pytest.approx([s / scores[0] for s in scores], rel=0.01)


def test_an_unroutable_job_says_what_was_needed_and_what_there_is(stocked: Reader) -> None:
    job_id = stocked.handed_in(summary__extent_x_mm="900", summary__volume_cm3="20")
    stocked.route()
    page = stocked.page(f"/jobs/{job_id}")
    assert "Nothing in the shop can print this" in page.text()
    assert "900 mm 500 mm" in page.one("section", aria_labelledby="h-refused").text()
    needs = stocked.page("/").one("ul", **{"class": "needs"})
    assert needs.one("a", href=f"/jobs/{job_id}").text() == "Hinge, left"


def test_cancel_and_retry_are_forms(stocked: Reader) -> None:
    job_id = stocked.handed_in(material__material_ids=["pla"])
    stocked.route()
    assert stocked.send(f"/jobs/{job_id}", f"/jobs/{job_id}/retry").status_code == 303
    assert stocked.stores.jobs.get(job_id).attempt == 2
    stocked.route()
    answer = stocked.send(f"/jobs/{job_id}", f"/jobs/{job_id}/cancel", reason="drawn anew")
    assert answer.status_code == 303
    record = stocked.stores.jobs.get(job_id)
    assert (record.state, record.reason) == (JobState.CANCELLED, "drawn anew")
    page = stocked.page(f"/jobs/{job_id}")
    assert "drawn anew" in page.text()
    assert "sent back to be routed (attempt 2)" in page.text()
    assert not list(page.all("form"))  # the sliders are none


def test_a_job_that_changed_since_it_was_read_is_left_alone(stocked: Reader) -> None:
    job_id = stocked.handed_in(material__material_ids=["pla"])
    values = fields_of(stocked.page(f"/jobs/{job_id}").one("form", action=f"/jobs/{job_id}/cancel"))
    stocked.route()
    answer = stocked.client.post(f"/jobs/{job_id}/cancel", data=values)
    assert answer.status_code == 412
    assert stocked.stores.jobs.get(job_id).state is JobState.ROUTED


def test_an_unknown_job_is_a_page_that_says_so(reader: Reader) -> None:
    assert "no job has the id" in reader.page("/jobs/none", 404).text().lower()


def test_names_are_text_never_markup(stocked: Reader) -> None:
    job_id = stocked.handed_in(name="<script>alert(1)</script>", note="<b>bold</b>")
    stocked.route()
    for path in (f"/jobs/{job_id}", "/queue", "/"):
        assert all(one.get("src") and not one.text() for one in stocked.page(path).all("script"))
    page = stocked.page(f"/jobs/{job_id}")
    assert page.one("h1").text() == "<script>alert(1)</script>"
    assert not list(page.all("b"))


# The shop and the queue


def test_the_shop_says_what_needs_a_hand(stocked: Reader) -> None:
    hand_in_demo_jobs(stocked.app)
    drain_and_bind(stocked.stores, "test")
    page = stocked.page("/")
    needs = [item.text() for item in page.one("ul", **{"class": "needs"}).all("li")]
    assert "Machine down Signal Loft: the feeder wheel slips; a new one is ordered." in needs
    assert any(n.startswith("No way to print Full-length cable trough") for n in needs)
    assert any(n.startswith("Spool ASA, plain on Bollard holds 35 g") for n in needs)
    assert any(n.startswith("Not calibrated") for n in needs)
    benches = {one.one("h3").text(): one.text() for one in page.all("section") if "bench" in one.get("class").split()}
    assert "0.25 mm brass, PLA, plain" in benches["Lantern"]
    assert "Signal Loft down" in benches
    assert len(benches) == 9


def test_an_empty_shop_says_so(reader: Reader) -> None:
    text = reader.page("/").text()
    assert "Nothing does." in text
    assert "No machine is known yet." in text


def test_the_queue_is_filtered_by_state_and_paged(stocked: Reader) -> None:
    made = [stocked.handed_in(name=f"Part {i}", material__material_ids=["pla"]) for i in range(30)]
    stocked.route()
    stocked.handed_in(name="Latest", material__material_ids=["pla"])
    first = stocked.page("/queue?state=routed")
    names = [row.one("th").text() for row in first.one("tbody").all("tr")]
    assert names == [f"Part {i}" for i in range(29, 4, -1)]
    second = stocked.page(first.one("a", rel="next").get("href"))
    assert [row.one("th").text() for row in second.one("tbody").all("tr")] == [f"Part {i}" for i in range(4, -1, -1)]
    assert not list(second.all("a", rel="next"))
    waiting = stocked.page("/queue?state=accepted")
    assert [row.one("th").text() for row in waiting.one("tbody").all("tr")] == ["Latest"]
    assert len(made) == 30


def test_a_bore_is_drawn_to_scale(stocked: Reader) -> None:
    """Six times its size at 96 pixels an inch of 25.4 mm (CSS Values and Units, section 6.2)."""
    bench = stocked.page("/").one("section", data_region="bench.lantern")
    radius = float(bench.one("circle", **{"class": "bore-hole"}).get("r"))
    assert 2 * radius / (96 / 25.4) == pytest.approx(6 * 0.25, rel=0.01)


# Every page


@pytest.fixture
def every_page(stocked: Reader) -> dict[str, Element]:
    ids = hand_in_demo_jobs(stocked.app)
    stocked.route()
    paths = ["/", "/queue", "/hand-in", "/queue?state=printing", *(f"/jobs/{job_id}" for job_id in ids.values())]
    pages = {path: stocked.page(path) for path in paths}
    pages["/hand-in, refused"] = read(stocked.hand_in(name="").text)
    return pages


def test_no_page_holds_an_inline_style_or_script(every_page: dict[str, Element]) -> None:
    for path, page in every_page.items():
        for element in page.all():
            assert element.tag not in {"style", "iframe"}, path
            assert element.tag != "script" or (element.get("src").startswith("/assets/") and not element.text()), path
            assert not [name for name in element.attributes if name == "style" or name.startswith("on")], path


def test_no_page_points_to_another_host(every_page: dict[str, Element]) -> None:
    for path, page in every_page.items():
        for element in page.all():
            for name in ("href", "src", "action"):
                assert not re.match(r"(https?:)?//", element.get(name)), f"{path}: {element.get(name)}"


def test_every_field_has_a_label_and_every_id_is_one_of_its_kind(every_page: dict[str, Element]) -> None:
    for path, page in every_page.items():
        ids = [e.get("id") for e in page.all() if e.get("id")]
        assert len(ids) == len(set(ids)), path
        labelled = {e.get("for") for e in page.all("label")}
        for element in [*page.all("input"), *page.all("select")]:
            assert element.get("type") == "hidden" or element.get("id") in labelled, f"{path}: {element.get('name')}"
        for element in page.all():
            for name in ("aria-labelledby", "aria-describedby"):
                assert set(element.get(name).split()) <= set(ids), f"{path}: {element.get(name)}"


def test_headings_step_down_one_at_a_time(every_page: dict[str, Element]) -> None:
    for path, page in every_page.items():
        levels = [int(e.tag[1]) for e in page.all() if re.fullmatch(r"h[1-6]", e.tag)]
        assert levels[0] == 1, path
        assert levels.count(1) == 1, path
        assert all(b - a <= 1 for a, b in pairwise(levels)), path


def test_every_moment_can_be_read_by_a_machine(every_page: dict[str, Element]) -> None:
    """HTML living standard, section 4.5.14: a global date and time string."""
    moments = [e for page in every_page.values() for e in page.all("time")]
    assert moments
    assert all(re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", e.get("datetime")) for e in moments)


BROWSER = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"}


@pytest.mark.parametrize(("path", "status"), [("/nonsense", 404), ("/plans/x/stop", 405)])
def test_an_address_of_no_page_is_told_on_a_page_to_a_browser_and_as_a_problem_to_a_program(
    api: Caller, path: str, status: int
) -> None:
    answer = api.get(path, **BROWSER)
    assert answer.status_code == status
    assert read(answer.text).one("h1").text() == "There is no page at this address"
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'")
    assert ("Allow" in answer.headers) == (status == 405)
    told = api.get(path)
    assert (told.status_code, told.mimetype) == (status, "application/problem+json")
    assert "Allow" not in told.headers or told.headers["Allow"] == answer.headers["Allow"]


def test_the_rest_interface_answers_a_browser_with_a_problem_as_well(api: Caller) -> None:
    assert api.get("/v1/nonsense", **BROWSER).mimetype == "application/problem+json"


def test_an_address_of_no_page_is_told_to_who_is_not_signed_in(make_api: Callable[..., Caller]) -> None:
    answer = make_api(access="keys").get("/nonsense", **BROWSER)
    assert answer.status_code == 404
    assert "Sign out" not in read(answer.text).text()
