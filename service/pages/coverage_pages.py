"""The coverage page (calibrations, what hangs on them, which gauge piece to print next) and its files."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from flask import Blueprint, Response

from service.api.coverage import coverage
from service.context import context
from service.exports import CSV, csv_pieces
from service.pages.coverage_view import coverage_view
from service.pages.pictures import add_pictures
from service.pages.rendering import page
from workers.model.codec import to_plain

CELLS = (
    "machine_id",
    "nozzle_id",
    "material_id",
    "bore_mm",
    "state",
    "weight",
    "age_d",
    "refused_by",
    "waiting_jobs",
    "waiting_copies",
    "waiting_h",
    "past_prints",
    "past_h",
)
ERRANDS = (
    "rank",
    "machine_id",
    "nozzle_id",
    "material_id",
    "state",
    "expected_gain",
    "choices_changed",
    "waiting_h",
    "past_h",
    "hours",
    "material_g",
)


def add_to(blueprint: Blueprint) -> None:
    blueprint.add_url_rule("/coverage", "coverage", show)
    blueprint.add_url_rule("/coverage.csv", "coverage_csv", give_cells)
    blueprint.add_url_rule("/coverage/to-do.csv", "coverage_to_do_csv", give_errands)
    add_pictures(blueprint, "/coverage", "coverage", show)


def show() -> str:
    return page("coverage.html", "coverage", view=coverage_view(coverage(), context().shop.newest()))


def give_cells() -> Response:
    return _file(CELLS, (_row(one) for one in coverage().cells), "coverage.csv")


def give_errands() -> Response:
    return _file(ERRANDS, (_row(one) for one in coverage().to_do), "coverage-to-do.csv")


def _row(one: Any) -> Mapping[str, Any]:
    row: dict[str, Any] = to_plain(one)
    return row


def _file(columns: tuple[str, ...], rows: Iterable[Mapping[str, Any]], name: str) -> Response:
    response = Response(b"".join(csv_pieces(columns, rows)), mimetype=CSV)
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    response.headers["Cache-Control"] = "no-store"
    return response
