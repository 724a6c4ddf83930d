"""The pages of line-up studies: a list, and a report to read, print and load down."""

from __future__ import annotations

from flask import Response, request
from werkzeug.wrappers import Response as AnyResponse

from service.context import context, stores
from service.exports import csv_table
from service.pages.blueprint import blueprint as blueprint  # noqa: PLC0414 - with the pages below
from service.pages.pictures import add_pictures
from service.pages.rendering import page, see
from service.pages.study_view import StudyView, study_view, tables
from workers.model.codec import from_json
from workers.model.errors import NotFoundError
from workers.model.lineup import LINE_UP_STUDY, LineUpRequest, LineUpResult

STUDIES_A_PAGE = 25


@blueprint.get("/line-up-studies")
def line_up_studies() -> str:
    after = request.args.get("after", "")[:40] or None
    found = stores().long_tasks.page(LINE_UP_STUDY, after, STUDIES_A_PAGE)
    rows = [(task, from_json(task.request, LineUpRequest)) for task in found.items]
    return _page("studies.html", rows=rows, older=found.next_cursor)


@blueprint.get("/line-up-studies/<study_id>")
def line_up_study(study_id: str) -> str:
    return _page("study.html", view=_view(study_id))


@blueprint.get("/line-up-studies/<study_id>/<table>.csv")
def line_up_study_table(study_id: str, table: str) -> Response:
    found = tables(_view(study_id)).get(table)
    if found is None:
        raise NotFoundError("the study has no such table, or no result yet")
    response = Response(csv_table(*found), mimetype="text/csv")
    response.headers["Content-Disposition"] = f'attachment; filename="line-up-study-{table}.csv"'
    return response


@blueprint.post("/line-up-studies/<study_id>/cancel")
def cancel_line_up_study(study_id: str) -> AnyResponse:
    stores().long_tasks.cancel(LINE_UP_STUDY, study_id, None, "")
    return see("pages.line_up_study", study_id=study_id)


add_pictures(blueprint, "/line-up-studies/<study_id>", "line_up_study", line_up_study)


def _view(study_id: str) -> StudyView:
    """Raises NotFoundError."""
    task = stores().long_tasks.get(LINE_UP_STUDY, study_id)
    result = None if task.result is None else from_json(task.result, LineUpResult)
    return study_view(task, from_json(task.request, LineUpRequest), result, context().shop.newest())


def _page(template: str, **values: object) -> str:
    return page(template, "line_up_studies", **values)
