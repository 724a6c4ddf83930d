"""The pages of plans: asked for by a form, shown beside today's lists, put into force or refused in plain words."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.service.conftest import Caller
from tests.service.page_reader import Element, read
from tests.service.test_api_plans import CLAIM, crowded, down, names
from tests.service.test_pages import Reader
from workers import tasks

__all__ = ["crowded"]


@pytest.fixture
def reader(crowded: Caller) -> Reader:
    """Four jobs on alder, and birch, alike, with nothing to do."""
    made = Reader(crowded)
    made.api = crowded  # type: ignore[attr-defined]
    return made


def api_of(reader: Reader) -> Caller:
    return reader.api  # type: ignore[attr-defined, no-any-return]


def asked(reader: Reader, **typed: str) -> str:
    """The path of a plan that is asked for."""
    answer = reader.send("/plans", "/plans", seconds="5", **typed)
    assert answer.status_code == 303, read(answer.text).text()
    return str(answer.location)


def ready(reader: Reader, **typed: str) -> str:
    path = asked(reader, **{"weight-quality": "0"} | typed)
    assert tasks.run_next(reader.stores, "planner")
    return path


def lists(page: Element, machine_id: str) -> list[list[str]]:
    """Names on the machine's list: today, and as planned."""
    sheet = page.one("section", aria_labelledby=f"l-{machine_id}")
    return [[item.text() for item in one.all("li")] for one in sheet.all("ol")]


def test_a_plan_is_asked_for_and_waits_for_its_turn(reader: Reader) -> None:
    path = asked(reader)
    page = reader.page(path)
    assert "waits for its turn" in page.text()
    assert page.one("progress").get("value") == "0"
    assert page.one("form", action=f"{path}/stop")
    assert [a.get("href") for a in reader.page("/plans").one("tbody").all("a")] == [path]


def test_what_was_typed_is_the_plan_that_is_asked_for(reader: Reader) -> None:
    path = asked(reader, **{"weight-setup": "0,7", "weight-quality": "3"})
    plan = api_of(reader).get(f"/v1{path}").json
    assert (plan["seconds"], plan["weights"]["setup"], plan["weights"]["quality"]) == (5, 0.7, 3)
    assert plan["weights"]["makespan"] == 0.5  # as it stood in the form


def test_a_double_click_asks_for_one_plan(reader: Reader) -> None:
    once = {"once": "the same form"}
    assert asked(reader, **once) == asked(reader, **once)
    assert len(api_of(reader).get("/v1/plans").json["items"]) == 1


@pytest.mark.parametrize("typed", [{"weight-setup": "much"}, {"weight-tardiness": "-1"}])
def test_a_weight_that_is_none_is_said_beside_its_field(reader: Reader, typed: dict[str, str]) -> None:
    answer = reader.send("/plans", "/plans", **typed)
    assert answer.status_code == 422
    page = read(answer.text)
    (field,) = typed
    assert page.one("input", name=field).get("aria-invalid") == "true"
    assert page.one("input", name=field).get("value") == typed[field]
    assert page.one("p", id=f"e-{field}").text()
    assert not api_of(reader).get("/v1/plans").json["items"]


def test_weights_that_are_all_nothing_are_refused(reader: Reader) -> None:
    weights = ("tardiness", "makespan", "flow", "setup", "failure", "quality")
    answer = reader.send("/plans", "/plans", **{f"weight-{name}": "0" for name in weights})
    assert answer.status_code == 422
    assert "above 0" in read(answer.text).one("div", id="errors").text()


def test_the_lists_stand_side_by_side_with_what_they_come_to(reader: Reader) -> None:
    path = ready(reader)
    page, result = reader.page(path), api_of(reader).get(f"/v1{path}").json["result"]
    today, planned = lists(page, "alder")
    assert today == ["a", "b", "c", "d"] == names(api_of(reader), "alder")
    assert len(planned) == 2
    runs = {one["machine_id"]: [run["name"] for run in one["runs"]] for one in result["machines"]}
    assert [line.split()[0] for line in lists(page, "birch")[1]] == runs["birch"]
    assert all("comes from Alder" in line for line in lists(page, "birch")[1])
    rows = {
        row.one("th").text(): [cell.text() for cell in row.all("td")]
        for row in page.one("section", aria_labelledby="h-compared").one("tbody").all("tr")
    }
    compared = result["comparison"]
    assert rows["Jobs late"][:2] == [str(compared[which]["late_jobs"]) for which in ("today", "planned")]
    assert rows["Until the last job is done"][2] == "better"
    assert float(rows["Cost in all, by the weights"][1]) == pytest.approx(compared["planned"]["cost"], abs=0.005)
    moves = page.one("section", aria_labelledby="h-moves").one("tbody")
    assert len(list(moves.all("tr"))) == compared["moved_jobs"] == 2


def test_the_lists_over_time_are_as_long_as_their_hours(reader: Reader) -> None:
    """Length of a bar over hours is the same for all bars (a linear scale), within a drawn gap of one unit."""
    path = ready(reader)
    result = api_of(reader).get(f"/v1{path}").json["result"]
    drawing = next(svg for svg in reader.page(path).all("svg") if svg.get("aria-labelledby") == "t-schedule d-schedule")
    runs = [run for one in result["machines"] for run in one["runs"]]
    for kind, hours in (
        ("run-moved", [run["hours"] for run in runs if run["moved"]]),
        ("run", [run["hours"] for run in runs if not run["moved"]]),
    ):
        bars = [corners(one.get("d")) for one in drawing.all("path", **{"class": kind})]
        ratios = [(right - left + 1) / h for (left, right), h in zip(bars, hours, strict=True)]
        assert ratios == pytest.approx([ratios[0]] * len(ratios), rel=0.01)


def corners(path: str) -> tuple[float, float]:
    x = [float(one) for one in re.findall(r"[ML](\S+)", path)]
    return min(x), max(x)


def test_a_plan_put_into_force_moves_the_jobs_and_is_in_force_once(reader: Reader) -> None:
    path = ready(reader)
    assert reader.send(path, f"{path}/apply").status_code == 303
    assert len(names(api_of(reader), "alder")) == len(names(api_of(reader), "birch")) == 2
    page = reader.page(path)
    assert "in force" in page.one("dl").text()
    assert not list(page.all("form", action=f"{path}/apply"))


def test_a_plan_older_than_the_shop_is_refused_in_plain_words_and_moves_nothing(reader: Reader) -> None:
    path = ready(reader)
    form = {"form_token": reader.page(path).one("input", name="form_token").get("value")}
    api_of(reader).made("/v1/claims", CLAIM)
    before = names(api_of(reader), "alder")
    answer = reader.client.post(f"{path}/apply", data=form)
    assert answer.status_code == 409
    said = read(answer.text).one("div", role="alert").text()
    assert "Nothing was moved" in said
    assert "the list of Alder" in said
    assert names(api_of(reader), "alder") == before
    later = reader.page(path)
    assert "cannot be put into force any more" in later.text()
    assert not list(later.all("form", action=f"{path}/apply"))


def test_a_change_of_the_shop_is_said_as_such(reader: Reader) -> None:
    path = ready(reader)
    down(api_of(reader), "birch")
    assert "what the shop is made of" in reader.page(path).text()


def test_a_plan_that_waits_is_stopped_by_its_form(reader: Reader) -> None:
    path = asked(reader)
    assert reader.send(path, f"{path}/stop").status_code == 303
    page = reader.page(path)
    assert "stopped before anything was found" in page.text()
    assert not list(page.all("form"))


def test_an_empty_queue_has_nothing_to_plan(shop: Caller) -> None:
    page = Reader(shop).page("/plans")
    assert "No job waits on a dispatch list now" in page.text()
    assert not list(page.all("form", action="/plans"))


def test_a_plan_that_is_not_there(shop: Caller) -> None:
    Reader(shop).page("/plans/none", 404)


def test_what_a_reader_may_not_do_is_left_out(make_api: Any) -> None:
    from workers.model.access import Scope

    api = make_api(access="keys")
    _, text = api.stores.access.create("0" * 26, "reader", (Scope.READ,))
    page = read(api.get("/plans", Authorization=f"Bearer {text}").text)
    assert not list(page.all("form", action="/plans"))
