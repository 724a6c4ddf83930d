"""/v1/line-up-studies: which nozzles to mount where, and which to buy, for the jobs that this shop prints."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import marshmallow as ma
from flask import Response

from service.api.answers import plain, versioned
from service.api.blueprint import (
    ETAG,
    IDEMPOTENCY_KEY,
    IF_NONE_MATCH,
    LINK,
    LOCATION,
    ResourceBlueprint,
)
from service.api.described import schema_of
from service.api.examples import JOB
from service.api.fields import Moment
from service.api.histories import HistorySchema, history_answer
from service.api.idempotency import turn
from service.api.intake import material_ids, require_known_materials, under
from service.api.jobs import IF_MATCH_OPTIONAL, Cancellation, CancellationSchema
from service.api.line_up_schema import LineUpRequestSchema
from service.api.long_task_answers import ReceiptSchema, cancelled, handed_in, receipt
from service.api.paging import PageQuery, PageQuerySchema, after_of, limit_of, page_answer, page_schema
from service.api.part_jobs import require_analysed
from service.api.things import new_id
from service.context import context, stores
from service.problems import RETRY_AFTER
from workers.model.codec import from_json, to_json
from workers.model.errors import InvalidError
from workers.model.lineup import LINE_UP_STUDY, LineUpRequest, LineUpResult, MixSource
from workers.model.long_task import LongTask
from workers.planning.lineup.pool import pool_of
from workers.store.long_tasks import KEPT

PATH = "/v1/line-up-studies"
EXAMPLE = {
    "name": "What would a 0.5 be worth?",
    "source": "forecast",
    "forecast": [{"job": JOB, "count": 40}],
    "offers": [{"name": "0.5 hard", "bore_mm": 0.5, "tip": "hardened-steel", "fitting": "short", "price": 25}],
    "window_h": 168,
    "prices": {"operator_per_h": 35},
    "time_limit_s": 30,
}

blueprint = ResourceBlueprint(
    "line-up-studies",
    __name__,
    url_prefix=PATH,
    description="Line-up studies: for the jobs of the last days, the queue, or a forecast, which nozzle on which "
    "machine costs least (hours, setups, filament, scrap by clog and misfit, lost detail, late work, what must be "
    "bought outside), what that saves against today's line-up and how sure that is, and up to which price each nozzle "
    "on offer would pay. Nothing is changed by a study. Costs are those of one window, in the shop's currency; what is "
    f"not given is an engineering prior and named as such. The newest {KEPT} are kept.",
)


class StudyCancellationSchema(CancellationSchema):
    """What is said of stopping a study."""


class StudyReceiptSchema(ReceiptSchema):
    """Of a study handed in."""


class StudyBriefSchema(StudyReceiptSchema):
    """A study without its result."""

    name = ma.fields.String(required=True)
    source = ma.fields.Enum(MixSource, by_value=True, required=True)
    seconds = ma.fields.Float(required=True, metadata={"description": "Time limit"})
    percent = ma.fields.Float(required=True, metadata={"minimum": 0, "maximum": 100})
    cancelling = ma.fields.Boolean(required=True, metadata={"description": "A cancel is asked for, and not yet seen"})
    attempt = ma.fields.Integer(required=True, metadata={"description": "How often it was begun"})
    reason = ma.fields.String(required=True, metadata={"description": "Why it failed"})
    page = ma.fields.String(
        required=True, metadata={"format": "uri-reference", "description": "The same, to read and print"}
    )
    created_at = Moment(required=True)
    updated_at = Moment(required=True)
    started_at = Moment(required=True, allow_none=True)
    ended_at = Moment(required=True, allow_none=True)


class StudySchema(StudyBriefSchema):
    """A study. result is null until it is done, or cancelled with something found."""

    result = ma.fields.Nested(schema_of(LineUpResult), required=True, allow_none=True)


@blueprint.at("", "POST", summary="Compare line-ups on a mix of jobs", operation="create-line-up-study")
@blueprint.headers(IDEMPOTENCY_KEY)
@blueprint.takes(LineUpRequestSchema, example=EXAMPLE)
@blueprint.gives(202, StudyReceiptSchema, "Kept and queued", headers=LOCATION | ETAG | {"Retry-After": RETRY_AFTER})
@blueprint.refuses(409, 503)
def post_study(request: LineUpRequest) -> Response:
    with turn(f"POST {PATH}") as mine:
        if mine.replay is not None:
            return mine.replay
        require_possible(request)
        study_id = new_id()
        kept, seconds = receipt(PATH, study_id), request.time_limit_s
        stores().long_tasks.create(LINE_UP_STUDY, study_id, to_json(request), seconds=seconds, also=mine.also(kept))
    return handed_in(kept)


def require_possible(request: LineUpRequest) -> None:
    """Raises InvalidError for machines, offers, materials and parts that there are not; ConflictError where there is
    nothing to mount, or a part is still being analysed."""
    shop = context().shop.newest()
    pool_of(shop, request)
    known = material_ids(shop)
    for i, entry in enumerate(request.forecast):
        try:
            require_known_materials(entry.job, known)
            require_analysed(entry.job)
        except InvalidError as error:
            raise InvalidError(error.detail, fields=under(error.fields, f"/forecast/{i}/job")) from None


@blueprint.at("", summary="List line-up studies, newest first", operation="list-line-up-studies")
@blueprint.asks(PageQuerySchema)
@blueprint.gives(200, page_schema(StudyBriefSchema, "LineUpStudyBrief"), headers=LINK)
def list_studies(query: PageQuery) -> Response:
    page = stores().long_tasks.page(LINE_UP_STUDY, after_of(query), limit_of(query))
    return page_answer([study_brief(task) for task in page.items], page.next_cursor)


@blueprint.at("/<study_id>", summary="One study: how far it is, and what came of it", operation="get-line-up-study")
@blueprint.headers(IF_NONE_MATCH)
@blueprint.gives(200, StudySchema, headers=ETAG)
@blueprint.gives(304, headers=ETAG)
@blueprint.refuses(404)
def get_study(study_id: str) -> Response:
    return versioned(study_whole(stores().long_tasks.get(LINE_UP_STUDY, study_id)))


@blueprint.at(
    "/<study_id>/history", summary="What happened to a study, oldest first", operation="get-line-up-study-history"
)
@blueprint.gives(200, HistorySchema)
@blueprint.refuses(404)
def get_study_history(study_id: str) -> Response:
    return history_answer(f"{LINE_UP_STUDY}/{study_id}", lambda: stores().long_tasks.get(LINE_UP_STUDY, study_id))


@blueprint.at(
    "/<study_id>/cancellation",
    "POST",
    summary="Stop a study; the best so far is kept",
    operation="cancel-line-up-study",
)
@blueprint.headers(IF_MATCH_OPTIONAL)
@blueprint.takes(StudyCancellationSchema, example={"reason": "Good enough"})
@blueprint.gives(200, StudySchema, "Ended, or asked to (cancelling)", headers=ETAG)
@blueprint.refuses(404, 409, 412)
def post_cancellation(body: Cancellation, study_id: str) -> Response:
    return versioned(study_whole(cancelled(LINE_UP_STUDY, study_id, body.reason)))


def study_brief(task: LongTask) -> dict[str, Any]:
    request = from_json(task.request, LineUpRequest)
    body: dict[str, Any] = plain(replace(task, request="", result=None))
    for name in ("kind", "request", "figures", "result", "applied_at"):
        body.pop(name)
    return body | {
        "location": f"{PATH}/{task.id}",
        "page": f"/line-up-studies/{task.id}",
        "name": request.name,
        "source": request.source.value,
    }


def study_whole(task: LongTask) -> dict[str, Any]:
    result = None if task.result is None else plain(from_json(task.result, LineUpResult))
    return study_brief(task) | {"result": result}
