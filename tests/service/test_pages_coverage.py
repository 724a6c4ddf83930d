"""The coverage page: the matrix told by word and shape, what hangs on each cell, the ranked list, the files."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta

import pytest

from tests.service import api_bodies as bodies
from tests.service import trial_bodies
from tests.service.conftest import Caller
from tests.service.page_reader import Element, read
from workers import tasks


@pytest.fixture
def busy(api: Caller) -> Caller:
    """Two machines, and three jobs with a close fit on their dispatch lists."""
    trial_bodies.two_machines(api)
    fit = [{"name": "pin bore", "limits": {"lower_mm": 5.95, "upper_mm": 6.03}}]
    for n in range(3):
        api.made("/v1/jobs", bodies.job(name=f"Guide {n}", tolerances=fit, quantity=2))
    tasks.drain_and_bind(api.stores, "test")
    return api


def shown(api: Caller) -> Element:
    answer = api.get("/coverage")
    assert answer.status_code == 200, answer.text
    return read(answer.text)


def calibrate(api: Caller, days_ago: float, **which: str) -> None:
    at = (datetime.now(UTC) - timedelta(days=days_ago)).isoformat(timespec="seconds").replace("+00:00", "Z")
    api.made("/v1/calibrations", bodies.calibration(calibrated_at=at, **which))


def test_an_empty_shop_says_that_there_is_nothing_to_calibrate(api: Caller) -> None:
    page = shown(api)
    assert "nothing to calibrate" in page.text()
    assert not list(page.all("table"))


def test_every_cell_of_the_matrix_is_drawn_and_told_in_words(busy: Caller) -> None:
    cells = busy.get("/v1/coverage").json["cells"]
    drawing = next(svg for svg in shown(busy).all("svg") if svg.get("aria-labelledby") == "t-matrix d-matrix")
    possible = [one for one in cells if one["refused_by"] is None]
    assert f"Of {len(possible)} pairings that are possible" in drawing.one("desc").text()
    words = [one.text() for one in drawing.all("text", **{"class": "tick"})]
    assert words.count("none") == len(possible)
    waits = [one.text() for one in drawing.all("text", **{"class": "bar-first"}) if one.text().endswith(" h")]
    assert len(waits) == sum(one["waiting_jobs"] > 0 for one in cells)


def test_the_states_differ_in_word_and_shape_not_only_in_colour(busy: Caller) -> None:
    """WCAG 2.2, 1.4.1: colour is not the only visual means of telling things apart."""
    machine, nozzle = "alder", busy.get("/v1/coverage").json["cells"][0]["nozzle_id"]
    calibrate(busy, 1, machine_id=machine, nozzle_id=nozzle)
    page = shown(busy)
    key = list(page.all("span", **{"class": "calibration"}))
    shapes: dict[str, str] = {}
    for one in key:
        (drawn,) = one.all("svg")
        shape = "".join(f"{e.tag}{e.get('d')}{e.get('class')}" for e in (*drawn.all("circle"), *drawn.all("path")))
        shapes.setdefault(one.text().split(":")[0], shape)
    assert {"fresh", "ageing", "stale", "none"} <= set(shapes)
    assert len(set(shapes.values())) == len(shapes)


def test_what_to_print_next_stands_in_the_order_and_with_the_figures_of_the_api(busy: Caller) -> None:
    to_do = busy.get("/v1/coverage").json["to_do"]
    rows = [row.text() for row in shown(busy).one("section", aria_labelledby="h-to-do").one("tbody").all("tr")]
    assert len(rows) == len(to_do) > 0
    for row, one in zip(rows, to_do, strict=True):
        assert row.startswith(f"{one['rank']}.")
        minutes = round(60 * one["hours"])
        assert f"{minutes // 60} h {minutes % 60:02d} min" in row or f"{minutes} min" in row
        assert f"{one['material_g']:.0f} g" in row


def test_the_files_hold_what_the_api_says(busy: Caller) -> None:
    """RFC 4180: a header line, CRLF between records."""
    found = busy.get("/v1/coverage").json
    for path, wanted in (("/coverage.csv", found["cells"]), ("/coverage/to-do.csv", found["to_do"])):
        answer = busy.get(path)
        assert answer.mimetype == "text/csv"
        assert "attachment" in answer.headers["Content-Disposition"]
        rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
        assert len(rows) == len(wanted)
        for row, one in zip(rows, wanted, strict=True):
            assert (row["machine_id"], row["state"]) == (one["machine_id"], one["state"])
            assert float(row["waiting_h"]) == pytest.approx(one["waiting_h"])


def test_the_page_and_the_api_share_one_reckoning(busy: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    busy.get("/v1/coverage")
    monkeypatch.setattr(tasks, "coverage_now", lambda *_: pytest.fail("it was worked out anew"))
    assert shown(busy).one("h1").text() == "Coverage"
