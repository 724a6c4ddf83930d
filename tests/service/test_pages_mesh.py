"""The pages of a mesh over a test client, on a real Redis: what is taken, what is refused and where that is said."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace

import pytest
from werkzeug.test import TestResponse

from service.pages import part_form
from tests.builders import block
from tests.geometry import shapes
from tests.service.conftest import Caller
from tests.service.demo_shop import load_demo_shop
from tests.service.page_reader import Element, fields_of, read
from workers import tasks
from workers.model.errors import FieldProblem
from workers.model.job import JobState
from workers.model.part import Feature, FeatureKind, SmallestFeatures
from workers.model.part_record import Orientation

PLATE = shapes.stl(shapes.plate_with_holes([(6.0, 15.0, 20.0), (3.2, 40.0, 12.0)]))
LIMIT = 60_000


class Stranger:
    """Somebody with a mesh and a browser without scripts."""

    def __init__(self, api: Caller) -> None:
        self.api, self.stores, self.client = api, api.stores, api.app.test_client()

    def page(self, path: str, status: int = 200) -> Element:
        answer = self.client.get(path)
        assert answer.status_code == status, answer.text
        return read(answer.text)

    def give(self, data: bytes | None = PLATE, name: str = "carrier.stl", **changes: str) -> TestResponse:
        form = fields_of(self.page("/hand-in").one("form", action="/hand-in/mesh")) | changes
        file = (io.BytesIO(data or b""), name if data is not None else "")
        return self.client.post("/hand-in/mesh", data={**form, "file": file}, content_type="multipart/form-data")

    def given(self, data: bytes = PLATE, **changes: str) -> str:
        """The address of the page of an analysed part."""
        answer = self.give(data, **changes)
        assert answer.status_code == 303, read(answer.text).text()
        tasks.analyse_next(self.stores, "test")
        return answer.location

    def hand_in(self, path: str, **typed: str) -> TestResponse:
        form = fields_of(self.page(path).one("form", action=path))
        return self.client.post(path, data=form | {name.replace("__", "."): value for name, value in typed.items()})


@pytest.fixture
def stranger(make_api: Callable[..., Caller]) -> Stranger:
    made = Stranger(make_api(upload_limit_bytes=LIMIT))
    load_demo_shop(made.api.app)
    return made


def beside(answer: TestResponse, field: str) -> str:
    assert answer.status_code == 422, answer.text
    return read(answer.text).one("p", id=f"e-{field}").text()


def test_the_page_of_a_part_follows_its_analysis(stranger: Stranger) -> None:
    path = stranger.give(orientation="best", unit="mm").location
    waiting = stranger.page(path)
    assert waiting.one("meta", http_equiv="refresh").get("content") == "2"
    assert "waiting for a worker" in waiting.text()
    (part,) = stranger.stores.parts.page().items
    assert part.options is not None
    assert part.options.orientation is Orientation.BEST
    tasks.analyse_next(stranger.stores, "test")
    done = stranger.page(path)
    assert done.one("h1").text() == "carrier.stl"
    assert "60 × 40 × 8 mm" in done.text()
    holes = [row.text() for row in done.all("summary") if "round hole" in row.text()]
    assert [("3.2 mm" in hole, "6 mm" in hole) for hole in holes] == [(True, False), (False, True)]
    assert all("through" in hole and "upright" in hole for hole in holes)
    assert done.one("details", id="feature-1").get("data-at") == "15 20 4"
    assert stranger.give(orientation="best").location == path, "the same mesh is the same part"


def test_a_fit_on_a_hole_goes_into_the_job(stranger: Stranger) -> None:
    path = stranger.given()
    answer = stranger.hand_in(path, tolerances__1__iso286="H11", due="2031-03-01T12:00", due_offset="-03:30")
    assert answer.status_code == 303, read(answer.text).text()
    (job,) = stranger.stores.jobs.page(JobState.ACCEPTED).items
    assert job.spec.name == "carrier"
    assert job.spec.due_at == 1_930_145_400.0  # 15:30 UTC (RFC 3339, section 4.2: local time less its offset)
    tasks.drain_inbox(stranger.stores, "test")
    routing = stranger.stores.jobs.routing(job.id)
    assert routing is not None
    assert routing.chosen is not None
    (fit,) = routing.chosen.fits
    assert (fit.name, round(fit.lower_mm, 3), round(fit.upper_mm, 3)) == ("hole-2", 6.0, 6.075)  # ISO 286-1: IT11, H


def test_problems_stand_beside_the_fit_and_what_was_typed_stays(stranger: Stranger) -> None:
    path = stranger.given()
    limits = {"tolerances__1__limits__lower_mm": "6", "tolerances__1__limits__upper_mm": "6,1"}
    assert "give one" in beside(stranger.hand_in(path, tolerances__1__iso286="H11", **limits), "tolerances-1-iso286")
    wrong = stranger.hand_in(path, tolerances__1__iso286="twelve", name="")
    page = read(wrong.text)
    assert "ISO 286" in beside(wrong, "tolerances-1-iso286")
    assert beside(wrong, "name")
    assert "2, hole-2, class" in page.one("div", id="errors").text()
    assert page.one("input", id="tolerances-1-iso286").get("value") == "twelve"
    assert "open" in page.one("details", id="feature-1").attributes
    assert "open" not in page.one("details", id="feature-0").attributes
    assert stranger.stores.jobs.counts()[JobState.ACCEPTED] == 0


def test_the_same_form_sent_twice_is_one_job(stranger: Stranger) -> None:
    path = stranger.given()
    form = fields_of(stranger.page(path).one("form", action=path))
    first, second = (stranger.client.post(path, data=form) for _ in range(2))
    assert first.location == second.location
    assert stranger.stores.jobs.counts()[JobState.ACCEPTED] == 1


@pytest.mark.parametrize(
    ("data", "status", "said"),
    [
        (None, 422, "Choose a mesh file first"),
        (b"", 422, "empty"),
        (bytes(LIMIT + 1), 413, "limit"),
        (bytes(LIMIT + 3 * 1024 * 1024), 413, "limit"),  # more than is read at all
    ],
)
def test_a_file_that_is_not_taken_is_refused_beside_its_field(
    stranger: Stranger, data: bytes | None, status: int, said: str
) -> None:
    answer = stranger.give(data)
    assert answer.status_code == status
    page = read(answer.text)
    assert said in page.one("p", id="e-file").text()
    assert page.one("input", id="file").get("aria-invalid") == "true"
    assert stranger.stores.analyses.waiting() == 0


def test_a_hostile_file_gets_its_refusal_on_its_page(stranger: Stranger) -> None:
    page = stranger.page(stranger.given(b"#!/bin/sh\nreboot\n" * 50))
    assert "The mesh was refused" in page.one("p", id="refusal").text()
    assert "none of the mesh formats" in page.one("p", id="e-file").text()
    assert page.one("form", action="/hand-in/mesh")


def test_the_form_for_a_mesh_needs_its_token(stranger: Stranger) -> None:
    assert stranger.give(form_token="x" * 43).status_code == 403
    assert stranger.stores.analyses.waiting() == 0


def test_nothing_is_handed_in_on_a_part_that_waits_or_is_unknown(stranger: Stranger) -> None:
    path = stranger.give().location
    token = fields_of(stranger.page("/hand-in").one("form", action="/hand-in"))["form_token"]
    assert stranger.client.post(path, data={"form_token": token, "name": "early"}).status_code == 409
    stranger.page("/hand-in/parts/p-none", 404)


def test_a_part_page_holds_no_markup_of_strangers_and_no_inline_script(stranger: Stranger) -> None:
    page = stranger.page(stranger.given(name="<b>x.stl"))
    assert page.one("h1").text() == "<b>x.stl"
    assert not list(page.all("b"))
    assert all(script.get("src").startswith("/assets/") and not script.text() for script in page.all("script"))
    ids = [one.get("id") for one in page.all() if one.get("id")]
    assert len(ids) == len(set(ids))
    labelled = {label.get("for") for label in page.all("label")}
    fields = [one for one in (*page.all("input"), *page.all("select")) if one.get("type") != "hidden"]
    assert all(one.get("id") in labelled for one in fields)


# The form's body


def part(**changes: object):
    bore = Feature(name="hole-1", kind=FeatureKind.HOLE, nominal_mm=6.0)
    return replace(block(), **{"features": (bore, replace(bore, name="hole-2")), **changes})


def test_the_body_names_the_feature_and_leaves_the_rest_to_the_part() -> None:
    body = part_form.body_of({"name": "x", "tolerances.1.iso286": "H7", "tolerances.0.name": "y"}, [], "p-1", part())
    assert body["tolerances"] == [{"name": "hole-2", "iso286": "H7"}]
    assert body["part_id"] == "p-1"
    assert "summary" not in body


def test_a_detail_that_was_found_can_be_a_must() -> None:
    found = part(smallest=SmallestFeatures(rib_mm=0.8))
    body = part_form.body_of({"critical.rib_mm": "yes", "critical.slot_mm": "yes"}, [], "p-1", found)
    assert body["critical"] == [{"name": "thinnest rib or wall", "kind": "rib", "size_mm": 0.8}]


def test_a_problem_finds_the_row_it_was_typed_in() -> None:
    """JSON Pointer (RFC 6901) into the body, whose only tolerance was typed for the second feature."""
    (problem,) = part_form.problems_of(
        (FieldProblem("/tolerances/0/limits/upper_mm", "too low"),), {"tolerances.1.limits.upper_mm": "1"}, part()
    )
    assert problem.field == "tolerances.1.limits.upper_mm"


def test_a_part_with_more_features_than_rows_lists_the_first() -> None:
    many = part(features=tuple(Feature(name=f"hole-{i}", kind=FeatureKind.HOLE, nominal_mm=5.0) for i in range(90)))
    assert len(part_form.feature_rows(many)) == part_form.MOST_FEATURES


def test_nothing_is_an_alert_before_there_is_something_to_say(stranger: Stranger) -> None:
    """An empty alert counts as one until the style sheet has come, and some readers announce it."""
    stranger.give()
    waiting = stranger.stores.parts.page().items[0].id
    for path in ("/hand-in", f"/hand-in/parts/{waiting}"):
        alerts = list(stranger.page(path).all("p", role="alert"))
        assert alerts, path
        assert all("hidden" in one.attributes for one in alerts), path
    refused = read(stranger.give(None).text).one("p", id="e-file")
    assert "hidden" not in refused.attributes
    assert "Choose a mesh file" in refused.text()
