"""/v1/reports: what each machine did, what came of the jobs and prints; as JSON, CSV or JSON lines."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from itertools import islice
from typing import Any

import marshmallow as ma
from flask import Response, request, stream_with_context

from service.api.answers import JSON, answer, plain
from service.api.blueprint import LINK, ResourceBlueprint
from service.api.claims import ClaimSchema
from service.api.described import JobRecordSchema, RoutingSchema, schema_of
from service.api.dispatch_lists import CopySchema
from service.api.fields import Choice, Moment
from service.api.histories import HistoryEntrySchema
from service.api.job_answers import whole
from service.api.outcomes import OutcomeSchema
from service.api.paging import PageQuery, PageQuerySchema, after_of, limit_of, page_answer, page_schema
from service.context import context, stores
from service.exports import CSV, JSON_LINES, csv_pieces, json_line_pieces
from workers import tasks
from workers.model.codec import to_json
from workers.model.errors import FieldProblem
from workers.model.outcome import Outcome
from workers.model.report import JobRow, MachineFigures

DAYS = 7.0  # of the window, where nothing is said
HISTORY = 10_000  # lines of a job's story

blueprint = ResourceBlueprint(
    "reports",
    __name__,
    url_prefix="/v1/reports",
    description="Reports over a window of time (from_at included, until_at not; the last seven days unless said "
    "otherwise). JSON comes in pages; as CSV (RFC 4180, a header line, UTF-8) or JSON lines the whole window comes in "
    "one answer, streamed. Say which by the Accept header or by format. Text that a spreadsheet would take for a "
    "formula has an apostrophe ahead of it in CSV.",
)


class Format(StrEnum):
    JSON = "json"
    CSV = "csv"
    JSON_LINES = "jsonl"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportQuery(PageQuery):
    from_at: float | None = None
    until_at: float | None = None
    format: Format | None = None

    def window(self) -> tuple[float, float]:
        until = time.time() if self.until_at is None else self.until_at
        return until - DAYS * 86_400.0 if self.from_at is None else self.from_at, until


class ReportQuerySchema(PageQuerySchema):
    makes = ReportQuery
    from_at = Moment(description="Where the window begins; left out: seven days before its end")
    until_at = Moment(description="Where it ends; left out: now")
    format = Choice(Format, description="Wins over the Accept header")

    def rules(self, record: Any) -> list[FieldProblem]:
        begin, end = record.window()
        if begin >= end:
            return [FieldProblem("/from_at", "the window ends before it begins", "before until_at")]
        return []


MachineFiguresSchema, JobRowSchema = schema_of(MachineFigures), schema_of(JobRow)
MACHINE_COLUMNS = tuple(one.name for one in fields(MachineFigures))
JOB_COLUMNS = tuple(one.name for one in fields(JobRow))
OUTCOME_COLUMNS = (
    *(one.name for one in fields(Outcome) if one.name not in {"sizes", "expected", "flags", "version"}),
    "expected_print_h",
    "expected_volume_cm3",
    "expected_clog_risk",
    "sizes",
    "flags",
)
WORDS = "Rows: a page as JSON, or the whole window in one of the other types"
TEXT = {"type": "string"}


class PlaceChosenSchema(ma.Schema):
    """One answer to where the job prints: routed, bound, moved, refused or failed."""

    class Meta:
        unknown = ma.RAISE

    at = Moment(required=True)
    kind = ma.fields.String(required=True, metadata={"example": "job.moved"})
    machine_id = ma.fields.String(required=True, allow_none=True)
    nozzle_id = ma.fields.String(required=True, allow_none=True)
    material_id = ma.fields.String(required=True, allow_none=True)
    reason = ma.fields.String(required=True)


class JobStorySchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    job = ma.fields.Nested(JobRecordSchema, required=True)
    routing = ma.fields.Nested(RoutingSchema, required=True, allow_none=True, metadata={"description": "As it is now"})
    places = ma.fields.List(
        ma.fields.Nested(PlaceChosenSchema),
        required=True,
        metadata={"description": "Every place chosen for it, oldest first, with the reason where one was given"},
    )
    copies = ma.fields.List(ma.fields.Nested(CopySchema), required=True)
    claims = ma.fields.List(ma.fields.Nested(ClaimSchema), required=True)
    outcomes = ma.fields.List(ma.fields.Nested(OutcomeSchema), required=True)
    history = ma.fields.List(ma.fields.Nested(HistoryEntrySchema), required=True)


@blueprint.at("/machines", summary="What each machine did with its hours", operation="report-machines")
@blueprint.asks(ReportQuerySchema)
@blueprint.gives(200, page_schema(MachineFiguresSchema, "MachineFigures"), WORDS, headers=LINK)
@blueprint.gives(200, TEXT, WORDS, content_type=CSV)
@blueprint.gives(200, TEXT, WORDS, content_type=JSON_LINES)
def get_machines(query: ReportQuery) -> Response:
    after, (since, until) = after_of(query), query.window()
    machines = [one for one in context().shop.newest().machines if after is None or one.id > after]
    now = time.time()
    figures = (tasks.machine_figures(stores(), one, since, until, lambda: now) for one in machines)
    return _report(query, map(plain, figures), "machine_id", MACHINE_COLUMNS, "machines")


@blueprint.at("/jobs", summary="The jobs handed in in a window, and what came of them", operation="report-jobs")
@blueprint.asks(ReportQuerySchema)
@blueprint.gives(200, page_schema(JobRowSchema, "JobRow"), WORDS, headers=LINK)
@blueprint.gives(200, TEXT, WORDS, content_type=CSV)
@blueprint.gives(200, TEXT, WORDS, content_type=JSON_LINES)
def get_jobs(query: ReportQuery) -> Response:
    rows = stores().reports.jobs(*query.window(), after_of(query))
    return _report(query, map(plain, rows), "job_id", JOB_COLUMNS, "jobs")


@blueprint.at("/outcomes", summary="The outcomes reported in a window, oldest first", operation="report-outcomes")
@blueprint.asks(ReportQuerySchema)
@blueprint.gives(200, page_schema(OutcomeSchema, "OutcomeReport"), WORDS, headers=LINK)
@blueprint.gives(200, TEXT, WORDS, content_type=CSV)
@blueprint.gives(200, TEXT, WORDS, content_type=JSON_LINES)
def get_outcomes(query: ReportQuery) -> Response:
    rows = map(plain, stores().reports.outcomes(*query.window(), after_of(query)))
    if _format(query) is Format.CSV:
        rows = map(_flat, rows)
    return _report(query, rows, "id", OUTCOME_COLUMNS, "outcomes")


@blueprint.at("/jobs/<job_id>", summary="The whole story of one job", operation="report-job")
@blueprint.gives(200, JobStorySchema)
@blueprint.refuses(404)
def get_job_story(job_id: str) -> Response:
    record, routing = stores().jobs.get(job_id), stores().jobs.routing(job_id)
    history = stores().events.history(f"job/{job_id}", HISTORY)
    story = {
        "job": whole(record),
        "routing": None if routing is None else plain(routing),
        "places": [plain(_place(line)) for line in history if line.kind in PLACED],
        "copies": [plain(copy) for copy in stores().dispatch.copies(job_id)],
        "claims": [plain(claim) for claim in stores().reports.claims_of_job(history)],
        "outcomes": [plain(one) for one in reversed(list(stores().reports.outcomes_of_job(job_id)))],
        "history": [plain(line) for line in history],
    }
    return answer(to_json(story))


PLACED = frozenset({"job.routed", "job.unroutable", "job.failed", "job.bound", "job.moved"})


def _place(line: Any) -> dict[str, Any]:
    named = {name: line.data.get(name) for name in ("machine_id", "nozzle_id", "material_id")}
    return {"at": line.at, "kind": line.kind, **named, "reason": str(line.data.get("reason", ""))}


def _format(query: ReportQuery) -> Format:
    if query.format is not None:
        return query.format
    best = request.accept_mimetypes.best_match([JSON, CSV, JSON_LINES], JSON)
    return {CSV: Format.CSV, JSON_LINES: Format.JSON_LINES}.get(best, Format.JSON)


def _report(
    query: ReportQuery, rows: Iterator[Mapping[str, Any]], key: str, columns: tuple[str, ...], name: str
) -> Response:
    """``rows`` are read as they are sent; those of a page up to its end."""
    chosen = _format(query)
    if chosen is Format.JSON:
        limit = limit_of(query)
        page = list(islice(rows, limit + 1))
        return page_answer(page[:limit], str(page[limit - 1][key]) if len(page) > limit else None)
    if chosen is Format.CSV:
        return _streamed(csv_pieces(columns, rows), f"{CSV}; charset=utf-8; header=present", f"{name}.csv")
    return _streamed(json_line_pieces(rows), JSON_LINES, f"{name}.jsonl")


def _streamed(pieces: Iterator[bytes], content_type: str, name: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return Response(stream_with_context(pieces), content_type=content_type, headers=headers)


def _flat(outcome: Mapping[str, Any]) -> dict[str, Any]:
    """An outcome in cells: its sizes as ``name measured_mm``, its flags as sentences."""
    expected = outcome["expected"] or {}
    return {
        **outcome,
        "expected_print_h": expected.get("print_h"),
        "expected_volume_cm3": expected.get("volume_cm3"),
        "expected_clog_risk": expected.get("clog_risk"),
        "sizes": "; ".join(f"{size['name']} {size['measured_mm']:g} mm" for size in outcome["sizes"]),
        "flags": "; ".join(outcome["flags"]),
    }
