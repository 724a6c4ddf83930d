"""Reports: figures of machines, rows of jobs and prints, and the same as CSV and JSON lines, read back by others."""

from __future__ import annotations

import csv
import io
import json
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from service.exports import csv_pieces, json_line_pieces, safe_cell
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from workers import tasks
from workers.model.job import JobSpec

CLAIM = {"machine_id": "alder", "claimant": "agent", "lease_s": 600}
NASTY = '=HYPERLINK("http://x.example","a, b")'


def handed_in(api: Caller, *names: str, **changes: Any) -> list[str]:
    job_ids = [api.made("/v1/jobs", bodies.job(name=name, **changes))["id"] for name in names]
    tasks.drain_and_bind(api.stores, "test")
    return job_ids


def printed(api: Caller, **report: Any) -> dict[str, Any]:
    claim = api.made("/v1/claims", CLAIM)
    answer = api.post(f"/v1/claims/{claim['id']}/finish", {"accepted": True, **report})
    assert answer.status_code == 200, answer.text
    return claim


@pytest.fixture
def busy(shop: Caller) -> Caller:
    """Three jobs, the first printed, the second scrapped by a clog, the third waiting."""
    shop.job_ids = handed_in(shop, "a", NASTY, "c")  # type: ignore[attr-defined]
    printed(shop, print_h=0.5)
    printed(shop, accepted=False, scrap_reason="clog", clogs=1, extruded_cm3=2.0)
    return shop


def read_by_python(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def read_by_numpy(text: str) -> list[list[str]]:
    """numpy's own reader, which shares no code with Python's csv module."""
    table = np.loadtxt(io.StringIO(text), dtype=object, delimiter=",", quotechar='"', comments=None, ndmin=2)
    return [[str(cell) for cell in row] for row in table]


def test_a_machines_figures_add_up_and_count_what_was_printed(busy: Caller) -> None:
    (row,) = busy.get("/v1/reports/machines").json["items"]
    parts = [row[name] for name in ("printing_h", "setup_h", "down_h", "idle_h")]
    assert sum(parts) == pytest.approx(row["hours"])
    assert row["printing_h"] > 0.0
    assert (row["accepted"], row["scrapped"], row["clogs"], row["claims"]) == (1, 1, 1, 2)
    assert row["scrap_share"] == 0.5
    assert row["scrap_share_low"] < 0.5 < row["scrap_share_high"]
    assert row["clogs_per_litre"] == pytest.approx(1000.0 / row["extruded_cm3"])


def test_a_mounting_and_a_loading_stand_in_the_machines_history_and_count(shop: Caller) -> None:
    shop.made("/v1/nozzles", bodies.nozzle(id="n-060-1", name="wide", bore_mm=0.6))
    shop.made("/v1/spools", bodies.spool(id="s-02"))
    for path in ("/v1/nozzles/n-060-1/mounting", "/v1/spools/s-02/loading"):
        assert shop.post(path, {"machine_id": "alder", "slot": 2}, If_Match="*").status_code == 200
    (row,) = shop.get("/v1/reports/machines").json["items"]
    assert (row["nozzle_changes"], row["material_changes"]) == (1, 1)
    kinds = [line["kind"] for line in shop.get("/v1/machines/alder/history").json["items"]]
    assert kinds == ["machine.created", "nozzle.mounted", "spool.loaded"]
    told = [event for event in shop.stores.events.after("0", 1000) if event.kind == "nozzle.mounted"]
    assert len(told) == 1


def test_a_window_before_anything_happened_is_empty(busy: Caller) -> None:
    window = "from_at=2020-01-01T00:00:00Z&until_at=2020-01-02T00:00:00Z"
    (row,) = busy.get(f"/v1/reports/machines?{window}").json["items"]
    assert (row["hours"], row["utilisation"], row["claims"], row["scrap_share"]) == (0.0, None, 0, None)
    assert busy.get(f"/v1/reports/jobs?{window}").json["items"] == []
    assert busy.get(f"/v1/reports/outcomes?{window}").json["items"] == []


def test_a_window_that_ends_before_it_begins_is_refused(api: Caller) -> None:
    answer = api.get("/v1/reports/jobs?from_at=2026-01-02T00:00:00Z&until_at=2026-01-01T00:00:00Z")
    assert (answer.status_code, answer.json["errors"][0]["parameter"]) == (422, "from_at")


def test_jobs_come_oldest_first_in_pages(busy: Caller) -> None:
    first = busy.get("/v1/reports/jobs?limit=2").json
    second = busy.get(f"/v1/reports/jobs?limit=2&cursor={first['next_cursor']}").json
    rows = first["items"] + second["items"]
    assert [row["job_id"] for row in rows] == busy.job_ids  # type: ignore[attr-defined]
    assert [row["state"] for row in rows] == ["done", "scrapped", "bound"]
    assert [(row["accepted"], row["scrapped"]) for row in rows] == [(1, 0), (0, 1), (0, 0)]
    assert second["next_cursor"] is None


def test_a_job_finished_after_its_due_date_says_how_late(shop: Caller) -> None:
    handed_in(shop, "late", due_at="2026-01-01T00:00:00Z")
    printed(shop)
    (row,) = shop.get("/v1/reports/jobs").json["items"]
    assert row["late_h"] > 1.0


@pytest.mark.parametrize("what", ["machines", "jobs", "outcomes"])
def test_csv_by_the_accept_header_is_read_alike_by_two_readers(busy: Caller, what: str) -> None:
    """RFC 4180: CRLF line ends, quotes doubled; text/csv with charset and header (section 3)."""
    answer = busy.get(f"/v1/reports/{what}", Accept="text/csv")
    assert answer.headers["Content-Type"] == "text/csv; charset=utf-8; header=present"
    text = answer.get_data(as_text=True)
    assert text.endswith("\r\n")
    rows = read_by_python(text)
    header, *cells = read_by_numpy(text)
    assert header == list(rows[0])
    assert cells == [list(row.values()) for row in rows]
    plain = busy.get(f"/v1/reports/{what}").json["items"]
    assert len(rows) == len(plain)
    for row, item in zip(rows, plain, strict=True):
        for name, cell in row.items():
            value = None if what == "machines" and goes_on(name) else item.get(name)
            if isinstance(value, float):
                assert float(cell) == value
            elif isinstance(value, int) and not isinstance(value, bool):
                assert int(cell) == value


@pytest.mark.parametrize("what", ["machines", "jobs", "outcomes"])
def test_json_lines_hold_the_same_objects_as_the_pages(busy: Caller, what: str) -> None:
    window = "from_at=2026-01-01T00:00:00Z&until_at=2099-01-01T00:00:00Z"
    answer = busy.get(f"/v1/reports/{what}?format=jsonl&{window}")
    assert answer.mimetype == "application/x-ndjson"
    lines = [json.loads(line) for line in answer.get_data(as_text=True).splitlines()]
    pages = busy.get(f"/v1/reports/{what}?{window}").json["items"]
    assert _still(lines) == _still(pages)
    assert lines


def _still(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Without the hours, which go on between two requests."""
    return [{name: value for name, value in row.items() if not goes_on(name)} for row in rows]


def goes_on(name: str) -> bool:
    return name.endswith("_h") or name in {"hours", "utilisation"}


def test_the_format_named_wins_over_the_accept_header(busy: Caller) -> None:
    assert busy.get("/v1/reports/jobs?format=csv", Accept="application/json").mimetype == "text/csv"
    assert busy.get("/v1/reports/jobs", Accept="application/x-ndjson").mimetype == "application/x-ndjson"
    assert busy.get("/v1/reports/jobs", Accept="text/html").status_code == 406
    assert busy.get("/v1/jobs", Accept="text/csv").status_code == 406


def test_a_name_that_is_a_formula_is_defused_in_csv_and_whole_in_json(busy: Caller) -> None:
    """OWASP, CSV injection: cells that begin with = + - @ tab or carriage return."""
    rows = read_by_python(busy.get("/v1/reports/jobs?format=csv").get_data(as_text=True))
    assert rows[1]["name"] == "'" + NASTY
    assert busy.get("/v1/reports/jobs").json["items"][1]["name"] == NASTY


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx", "\rx", "\nx", "\uff1d1"])
def test_what_a_spreadsheet_would_run_is_defused(text: str) -> None:
    assert safe_cell(text) == "'" + text


def test_numbers_and_harmless_text_stay_as_they_are() -> None:
    assert [safe_cell(one) for one in (-1.5, 3, "a=b", "", None, True)] == [-1.5, 3, "a=b", "", "", "true"]


def test_any_text_comes_back_whole() -> None:
    """Quotes, commas and line ends inside a cell (RFC 4180 section 2, rules 5 to 7)."""
    words = ['a "b", c', "two\nlines", "two\r\nlines", "plain", "", " spaced ", "ünïcode µm³"]
    text = b"".join(csv_pieces(("word", "n"), ({"word": w, "n": i} for i, w in enumerate(words)))).decode()
    assert [row["word"] for row in read_by_python(text)] == words


def test_an_export_takes_no_more_memory_for_more_rows() -> None:
    """tracemalloc (Python's own count of bytes): ten times the rows, the same peak."""

    def rows(count: int) -> Iterator[dict[str, Any]]:
        return ({"name": f"job {i}", "hours": i / 7} for i in range(count))

    def peak(count: int, pieces: Any) -> int:
        tracemalloc.start()
        for _ in pieces(count):
            pass
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    for pieces in (lambda n: csv_pieces(("name", "hours"), rows(n)), lambda n: json_line_pieces(rows(n))):
        assert peak(20_000, pieces) < 1.5 * peak(2_000, pieces)


def test_jobs_are_read_as_they_are_sent(shop: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first piece goes out before the last job is read."""
    spec: JobSpec = shop.stores.jobs.get(handed_in(shop, "x")[0]).spec
    shop.stores.jobs.accept([replace(spec, name=f"job {i}") for i in range(1500)])
    answer = shop.client.get("/v1/reports/jobs?format=jsonl", buffered=False)
    pieces = iter(answer.response)
    first = next(pieces)
    late = shop.stores.jobs.accept([spec])[0]
    shop.stores.client.delete(shop.stores.keys.jobs)  # what is not read yet is gone
    rest = b"".join(pieces)
    assert 0 < first.count(b"\n") + rest.count(b"\n") < 1501
    assert late.encode() not in rest


def test_the_whole_story_of_a_job(busy: Caller) -> None:
    job_id = busy.job_ids[1]  # type: ignore[attr-defined]
    story = busy.get(f"/v1/reports/jobs/{job_id}").json
    assert story["job"]["state"] == "scrapped"
    assert story["routing"]["chosen"]["machine_id"] == "alder"
    assert [place["kind"] for place in story["places"]] == ["job.routed", "job.bound"]
    assert [(claim["state"], claim["accepted"]) for claim in story["claims"]] == [("finished", False)]
    (outcome,) = story["outcomes"]
    assert (outcome["scrap_reason"], outcome["spool_id"]) == ("clog", "s-01")
    kinds = [line["kind"] for line in story["history"]]
    assert kinds == ["job.accepted", "job.routed", "job.bound", "claim.taken", "claim.finished", "job.scrapped"]
    assert [(copy["copy"], copy["state"]) for copy in story["copies"]] == [(1, "scrapped")]


def test_a_move_stands_in_the_story_with_its_reason(busy: Caller) -> None:
    job_id = busy.job_ids[2]  # type: ignore[attr-defined]
    body = {"job_id": job_id, "position": 1, "reason": "The customer waits at the counter"}
    assert busy.post("/v1/machines/alder/dispatch-list/moves", body, If_Match="*").status_code == 200
    place = busy.get(f"/v1/reports/jobs/{job_id}").json["places"][-1]
    assert (place["kind"], place["machine_id"], place["reason"]) == ("job.moved", "alder", body["reason"])
    assert busy.get("/v1/reports/jobs").json["items"][2]["moves"] == 1


def test_the_story_of_an_unknown_job_is_not_found(api: Caller) -> None:
    assert api.get("/v1/reports/jobs/01k0t3v7x9z1b3d5f7h9k1m3p5").status_code == 404
