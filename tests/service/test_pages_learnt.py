"""The pages on what was learnt: the figures of the REST interface, drawn, with a table to take along."""

from __future__ import annotations

import csv
import io

import pytest

from tests.service.page_reader import read
from tests.service.test_api_outcomes import free, good, routed
from workers.process.models import model_pages

__all__ = ["routed"]


def page(shop, path, status=200):
    answer = shop.client.get(path)
    assert answer.status_code == status, answer.text
    return read(answer.text)


def test_without_outcomes_the_pages_say_so(shop):
    assert "Nothing yet" in page(shop, "/evidence").text()
    assert "No outcome yet" in page(shop, "/models").text()


def test_evidence_is_shown_as_the_rest_interface_has_it(routed):
    routed.made("/v1/outcomes", good(routed, print_h=1.1 * routed.chosen["print_h"]))
    routed.made("/v1/outcomes", free(clogs=2, extruded_cm3=100.0))
    believed = routed.get("/v1/evidence").json["items"][0]["posterior"]["prints"]

    shown = page(routed, "/evidence")
    rows = [row.text() for row in shown.one("tbody").all("tr")]
    assert f"{believed['clogs_per_litre']:.3f}".rstrip("0") in rows[0]
    assert "2 clogs" in rows[0]
    assert "1 measured" in rows[1]
    assert len(list(shown.all("svg", **{"class": "drawn intervals"}))) == 2
    assert all(svg.one("desc").text() for svg in shown.all("svg", role="img"))


def test_the_table_to_take_along_is_csv_with_the_same_figures(routed):
    """RFC 4180, read back by Python's own reader."""
    routed.made("/v1/outcomes", free(clogs=2, extruded_cm3=100.0))
    answer = routed.client.get("/evidence.csv")
    assert answer.mimetype == "text/csv"
    assert "attachment" in answer.headers["Content-Disposition"]
    (row, *_) = csv.DictReader(io.StringIO(answer.text, newline=""))
    item = routed.get("/v1/evidence").json["items"][0]
    assert row["machine_id"] == item["key"]["machine_id"]
    assert float(row["clogs_per_litre_observed"]) == pytest.approx(20)  # 2 clogs in 0.1 litre
    assert float(row["clogs_per_litre_high"]) == item["posterior"]["prints"]["clogs_per_litre_high"]


def test_evidence_is_paged_and_a_made_up_place_is_refused(routed, monkeypatch):
    routed.made("/v1/outcomes", good(routed))
    monkeypatch.setattr("service.pages.learnt_pages.ROWS", 1)
    first = page(routed, "/evidence")
    further = first.one("a", rel="next").get("href")
    assert [row.text() for row in page(routed, further).one("tbody").all("tr")] != [
        row.text() for row in first.one("tbody").all("tr")
    ]
    page(routed, "/evidence?after=nowhere", 404)


def test_every_model_has_its_place_and_the_checks_are_drawn(routed):
    routed.made("/v1/outcomes", good(routed))
    shown = page(routed, "/models")
    titles = [heading.text() for heading in shown.all("h3")]
    assert [model.title for model in model_pages()] == titles[-len(model_pages()) :]
    assert len(list(shown.all("svg", **{"class": "drawn reliability"}))) == 3
    checks = routed.get("/v1/model-checks").json["items"][0]
    assert checks["outcomes"] == 1
    assert "1 outcome" in shown.text()
