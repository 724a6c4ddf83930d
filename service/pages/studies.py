"""The pages of line-up studies: a form that asks for one, a list, and a report to read, print and take along."""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

from flask import Response, request
from werkzeug.wrappers import Response as AnyResponse

from service.api.intake import ring_planning
from service.api.line_up_schema import LineUpRequestSchema
from service.api.line_up_studies import require_possible
from service.api.things import new_id
from service.context import context, stores
from service.exports import csv_table
from service.pages import study_form
from service.pages.accepting import Also, made_once
from service.pages.blueprint import blueprint as blueprint  # noqa: PLC0414 - with the pages below
from service.pages.pictures import add_pictures
from service.pages.plan_view import STATE_WORDS
from service.pages.rendering import page, see
from service.pages.study_view import StudyView, study_view, tables
from service.pages.wording import TIP_WORDS
from workers.model.codec import from_json, to_json
from workers.model.errors import ConflictError, InvalidError, NotFoundError
from workers.model.lineup import LINE_UP_STUDY, LineUpRequest, LineUpResult

STUDIES_A_PAGE = 25
SCOPE = "form /line-up-studies"


@blueprint.get("/line-up-studies")
def line_up_studies() -> str:
    return _all(study_form.STARTS, (), {})


@blueprint.post("/line-up-studies")
def ask_line_up_study() -> AnyResponse | tuple[str, int]:
    """Keep and ring for a study; what the schema or the shop refuses comes back beside its field."""
    form, ticked = request.form.to_dict(), request.form.getlist("machine_ids")
    body = study_form.body_of(form, ticked)
    try:
        asked: LineUpRequest = LineUpRequestSchema().load(body)
        require_possible(asked)
    except InvalidError as error:
        problems = study_form.problems_of(error.fields, study_form.rows_filled(form)) or {"": [error.detail]}
        return _all(form, ticked, problems), HTTPStatus.UNPROCESSABLE_ENTITY
    except ConflictError as error:
        return _all(form, ticked, {"machine_ids": [error.detail]}), HTTPStatus.CONFLICT

    def make(study_id: str, also: Also) -> None:
        stores().long_tasks.create(LINE_UP_STUDY, study_id, to_json(asked), seconds=asked.time_limit_s, also=also)
        ring_planning()

    return see("pages.line_up_study", study_id=made_once(SCOPE, form.get("once", ""), body, new_id(), make))


@blueprint.get("/line-up-studies/<study_id>")
def line_up_study(study_id: str) -> str:
    last_event = stores().events.last_id()  # before the study is read: what comes later is told by the stream
    return _page("study.html", view=_view(study_id), last_event=last_event)


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


def _all(form: Mapping[str, str], ticked: Sequence[str], problems: Mapping[str, list[str]]) -> str:
    after = request.args.get("after", "")[:40] or None
    found = stores().long_tasks.page(LINE_UP_STUDY, after, STUDIES_A_PAGE)
    shop = context().shop.newest()
    return _page(
        "studies.html",
        rows=[(task, from_json(task.request, LineUpRequest)) for task in found.items],
        older=found.next_cursor,
        after=after,
        form=form,
        ticked=ticked,
        problems=problems,
        labels=study_form.LABELS,
        once=form.get("once") or secrets.token_urlsafe(18),
        machines=shop.machines,
        owned=len(shop.nozzles),
        offers=range(study_form.OFFERS),
        used=study_form.rows_filled(form),
        tips=[(tip.value, words) for tip, words in TIP_WORDS.items()],
        fittings=[(one, one) for one in sorted({machine.hotend.fitting for machine in shop.machines})],
        limits=study_form.LIMITS.items(),
        sources=study_form.SOURCES.items(),
        prices=study_form.price_rows(),
    )


def _page(template: str, **values: Any) -> str:
    return page(template, "line_up_studies", states=STATE_WORDS, mixes=study_form.SOURCE_WORDS, **values)
