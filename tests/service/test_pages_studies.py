"""The form that asks for a line-up study: what was typed is what is asked for, and what cannot be is said beside it."""

from __future__ import annotations

import pytest

from service.pages import study_form
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from tests.service.page_reader import Element, read
from tests.service.test_pages import Reader
from workers import tasks
from workers.model.access import Scope
from workers.model.errors import FieldProblem

PATH = "/line-up-studies"
OFFER = {"offers.0.name": "0.3 brass", "offers.0.bore_mm": "0,3", "offers.0.price": "20"}


@pytest.fixture
def reader(shop: Caller) -> Reader:
    shop.made("/v1/nozzles", bodies.nozzle(id="spare", name="0.8 spare", bore_mm=0.8))
    shop.made("/v1/jobs", bodies.job())
    made = Reader(shop)
    made.api = shop  # type: ignore[attr-defined]
    return made


def api_of(reader: Reader) -> Caller:
    return reader.api  # type: ignore[attr-defined, no-any-return]


def asked(reader: Reader, **typed: str) -> str:
    """The path of a study that is asked for."""
    answer = reader.send(PATH, PATH, **typed)
    assert answer.status_code == 303, read(answer.text).text()
    return str(answer.location)


def refused(reader: Reader, status: int = 422, **typed: str) -> Element:
    answer = reader.send(PATH, PATH, **typed)
    assert answer.status_code == status, answer.text
    return read(answer.text)


def test_what_was_typed_is_the_study_that_is_asked_for(reader: Reader) -> None:
    path = asked(reader, name=" What of a 0.3? ", source="queue", window_h="84,5", time_limit_s="10", **OFFER)
    study = api_of(reader).get(f"/v1{path}").json
    assert (study["name"], study["source"], study["seconds"]) == ("What of a 0.3?", "queue", 10.0)
    assert tasks.run_next(api_of(reader).stores, "planner")
    done = api_of(reader).get(f"/v1{path}").json
    assert done["state"] == "done", done["reason"]
    assert done["result"]["window_h"] == 84.5
    (offer,) = done["result"]["offers"]
    assert (offer["name"], offer["bore_mm"], offer["price"]) == ("0.3 brass", 0.3, 20.0)
    given = {one["name"]: one["source"] for one in done["result"]["figures"]}
    assert set(given.values()) == {"engineering prior"}, "what is left empty is not said to be given"


def test_a_history_of_some_days_with_a_price_of_one_s_own(reader: Reader) -> None:
    path = asked(reader, source="history", history_days="7", **{"prices.operator_per_h": "41"})
    assert tasks.run_next(api_of(reader).stores, "planner")
    result = api_of(reader).get(f"/v1{path}").json["result"]
    assert result["window_h"] == 7 * 24
    (given,) = (one for one in result["figures"] if one["source"] == "given")
    assert (given["name"], given["value"]) == ("operator_per_h", 41.0)


def test_how_far_it_is_stands_on_its_page_and_in_the_list(reader: Reader) -> None:
    path = asked(reader, name="Soon")
    page = reader.page(path)
    assert "waits for its turn" in page.text()
    assert page.one("progress").get("value") == "0"
    assert page.one("form", action=f"{path}/cancel")
    assert [a.get("href") for a in reader.page(PATH).one("tbody").all("a")] == [path]


def test_the_same_form_sent_twice_is_one_study(reader: Reader) -> None:
    once = reader.page(PATH).one("input", name="once").get("value")
    assert asked(reader, once=once, name="Once") == asked(reader, once=once, name="Once")
    assert len(api_of(reader).get("/v1/line-up-studies").json["items"]) == 1


def test_problems_stand_beside_their_fields_and_nothing_typed_is_lost(reader: Reader) -> None:
    page = refused(
        reader,
        source="queue",
        window_h="soon",
        machine_ids="alder",
        **{"offers.2.name": "0.3 brass", "offers.2.bore_mm": "wide", "prices.clog_each": "-1"},
    )
    alert = page.one("div", role="alert").text()
    assert "Hours to print them in" in alert
    assert "Nozzle 3, bore" in alert
    assert "not a number" in page.one("p", id="e-window_h").text()
    assert "not a number" in page.one("p", id="e-offers-2-bore_mm").text()
    assert "out of range" in page.one("p", id="e-prices-clog_each").text()
    assert page.one("input", id="window_h").get("value") == "soon"
    assert page.one("input", id="offers-2-name").get("value") == "0.3 brass"
    assert "checked" in page.one("input", id="machine_ids-alder").attributes
    assert "checked" in page.one("input", id="source-queue").attributes
    assert not api_of(reader).get("/v1/line-up-studies").json["items"]


def test_an_offer_that_fits_no_machine_is_said_at_its_fitting(reader: Reader) -> None:
    page = refused(reader, **OFFER, **{"offers.0.fitting": "other"})
    assert "no machine of the study takes" in page.one("p", id="e-offers-0-fitting").text()


def test_a_shop_that_stands_still_is_told_to_name_its_machines(reader: Reader) -> None:
    down = {"state": "down", "reason": "holidays"}
    assert api_of(reader).put("/v1/machines/alder/state", down, If_Match="*").status_code == 200
    page = refused(reader, status=409)
    assert "no machine is in service" in page.one("p", id="e-machine_ids").text()


def test_a_form_without_its_token_asks_for_nothing(reader: Reader) -> None:
    assert reader.client.post(PATH, data={"source": "queue"}).status_code == 403
    assert not api_of(reader).get("/v1/line-up-studies").json["items"]


def test_what_a_reader_may_not_do_is_left_out(make_api: object) -> None:
    api: Caller = make_api(access="keys")  # type: ignore[operator]
    _, text = api.stores.access.create("0" * 26, "reader", (Scope.READ,))
    page = read(api.get(PATH, Authorization=f"Bearer {text}").text)
    assert not list(page.all("form", action=PATH))


def test_a_problem_is_led_back_to_the_row_that_it_was_typed_in() -> None:
    found = [FieldProblem("/offers/1/price", "a"), FieldProblem("/machine_ids/0", "b"), FieldProblem("/seed", "c")]
    assert study_form.problems_of(found, [0, 2]) == {"offers.2.price": ["a"], "machine_ids": ["b"], "": ["c"]}
