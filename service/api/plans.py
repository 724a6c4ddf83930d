"""/v1/plans: the whole queue planned at once, looked at, and put into force or not."""

from __future__ import annotations

from dataclasses import dataclass, field
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
from service.api.fields import ListOf, Moment, Number, Text, Whole, refuse
from service.api.histories import HistorySchema, history_answer
from service.api.idempotency import turn
from service.api.jobs import IF_MATCH_OPTIONAL, Cancellation, CancellationSchema
from service.api.long_task_answers import ReceiptSchema, cancelled, handed_in, receipt
from service.api.paging import PageQuery, PageQuerySchema, after_of, limit_of, page_answer, page_schema
from service.api.schema import Record, RecordSchema
from service.api.things import new_id
from service.context import stores
from service.problems import RETRY_AFTER
from workers import tasks
from workers.model.codec import from_json, to_json, to_plain
from workers.model.errors import FieldProblem, InvalidError
from workers.model.long_task import LongTask
from workers.model.plan import PLAN, PlanRequest, PlanResult, PlanWeights
from workers.store.long_tasks import KEPT

PATH = "/v1/plans"
LEAST_S, MOST_S = 1.0, 600.0
DEFAULT_S = 20.0
JOBS_NAMED = 1000
EXAMPLE = {"seconds": 20, "weights": {"tardiness": 1.0, "makespan": 0.5, "setup": 0.2}}

blueprint = ResourceBlueprint(
    "plans",
    __name__,
    url_prefix=PATH,
    description="Plans: which waiting job prints on which machine, with which nozzle and material, in which order, so "
    "that lateness, the last end, setups, expected scrap and quality given up cost least together. Every job that has "
    "not begun is scored anew on every pairing that can print it. Jobs that are pinned or have begun stay as they are, "
    "with those ahead of them. A plan changes nothing until it is applied: all at once, or not at all if the shop or "
    f"a dispatch list changed meanwhile. The newest {KEPT} are kept.",
)
WEIGHT_WORDS = {
    "tardiness": "An hour late of a job of priority 0; every 5 steps of priority double it",
    "makespan": "An hour until the last job ends",
    "flow": "An hour until a job ends, for each job",
    "setup": "An hour of setting up",
    "failure": "One unit of the cost of copies expected to fail",
    "quality": "One unit of utility, time left out, that a job gives up against the best pairing for it",
}
WEIGHT_MOST = 1000.0


class PlanWeightsSchema(RecordSchema):
    makes = PlanWeights
    tardiness = Number(0, WEIGHT_MOST, description=WEIGHT_WORDS["tardiness"])
    makespan = Number(0, WEIGHT_MOST, description=WEIGHT_WORDS["makespan"])
    flow = Number(0, WEIGHT_MOST, description=WEIGHT_WORDS["flow"])
    setup = Number(0, WEIGHT_MOST, description=WEIGHT_WORDS["setup"])
    failure = Number(0, WEIGHT_MOST, description=WEIGHT_WORDS["failure"])
    quality = Number(0, WEIGHT_MOST, description=WEIGHT_WORDS["quality"])

    def build(self, values: dict[str, Any]) -> Any:
        try:
            return super().build(values)
        except InvalidError as error:
            raise refuse(error.detail, "at least one above 0") from None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanBody:
    seconds: float = DEFAULT_S
    weights: PlanWeights = field(default_factory=PlanWeights)
    seed: int = 1
    job_ids: tuple[str, ...] | None = None


class PlanBodySchema(RecordSchema):
    makes = PlanBody
    seconds = Number(LEAST_S, MOST_S, "s", description="Time limit; a plan proved best is done sooner")
    weights = Record(PlanWeightsSchema)
    seed = Whole(0, 2**31 - 1, description="Of the random search")
    job_ids = ListOf(
        Text(40),
        least=1,
        most=JOBS_NAMED,
        description="Jobs that may change machine, nozzle or material; the others only change their order. null: all",
    )


class PlanCancellationSchema(CancellationSchema):
    """What is said of stopping a plan."""


class PlanReceiptSchema(ReceiptSchema):
    """Of a plan handed in."""


class PlanBriefSchema(PlanReceiptSchema):
    """A plan without its result. weights is given whole."""

    seconds = ma.fields.Float(required=True, metadata={"description": "Time limit"})
    weights = ma.fields.Nested(PlanWeightsSchema, required=True)
    seed = ma.fields.Integer(required=True)
    job_ids = ma.fields.List(ma.fields.String(), required=True, allow_none=True)
    percent = ma.fields.Float(required=True, metadata={"minimum": 0, "maximum": 100})
    best_cost = ma.fields.Float(required=True, allow_none=True, metadata={"description": "So far"})
    bound = ma.fields.Float(required=True, allow_none=True, metadata={"description": "No plan costs less; so far"})
    cancelling = ma.fields.Boolean(required=True, metadata={"description": "A cancel is asked for, and not yet seen"})
    attempt = ma.fields.Integer(required=True, metadata={"description": "How often it was begun"})
    reason = ma.fields.String(required=True, metadata={"description": "Why it failed"})
    created_at = Moment(required=True)
    updated_at = Moment(required=True)
    started_at = Moment(required=True, allow_none=True)
    ended_at = Moment(required=True, allow_none=True)
    applied_at = Moment(required=True, allow_none=True)


class PlanSchema(PlanBriefSchema):
    """A plan. result is null until it is done, or cancelled with something found."""

    result = ma.fields.Nested(schema_of(PlanResult), required=True, allow_none=True)


@blueprint.at("", "POST", summary="Plan the whole queue", operation="create-plan")
@blueprint.headers(IDEMPOTENCY_KEY)
@blueprint.takes(PlanBodySchema, example=EXAMPLE)
@blueprint.gives(202, PlanReceiptSchema, "Kept and queued", headers=LOCATION | ETAG | {"Retry-After": RETRY_AFTER})
@blueprint.refuses(409, 503)
def post_plan(body: PlanBody) -> Response:
    with turn(f"POST {PATH}") as mine:
        if mine.replay is not None:
            return mine.replay
        _require_known(body.job_ids or ())
        request = PlanRequest(weights=body.weights, seed=body.seed, job_ids=body.job_ids)
        plan_id = new_id()
        kept = receipt(PATH, plan_id)
        stores().long_tasks.create(PLAN, plan_id, to_json(request), seconds=body.seconds, also=mine.also(kept))
    return handed_in(kept)


def _require_known(job_ids: tuple[str, ...]) -> None:
    """Raises InvalidError at each job that there is not."""
    records = stores().jobs.get_many(job_ids)
    unknown = tuple(
        FieldProblem(f"/job_ids/{i}", f"no job has the id {job_id!r}")
        for i, (job_id, record) in enumerate(zip(job_ids, records, strict=True))
        if record is None
    )
    if unknown:
        raise InvalidError(unknown[0].detail, fields=unknown)


@blueprint.at("", summary="List plans, newest first", operation="list-plans")
@blueprint.asks(PageQuerySchema)
@blueprint.gives(200, page_schema(PlanBriefSchema, "PlanBrief"), headers=LINK)
def list_plans(query: PageQuery) -> Response:
    page = stores().long_tasks.page(PLAN, after_of(query), limit_of(query))
    return page_answer([plan_brief(task) for task in page.items], page.next_cursor)


@blueprint.at("/<plan_id>", summary="One plan: how far it is, and what came of it", operation="get-plan")
@blueprint.headers(IF_NONE_MATCH)
@blueprint.gives(200, PlanSchema, headers=ETAG)
@blueprint.gives(304, headers=ETAG)
@blueprint.refuses(404)
def get_plan(plan_id: str) -> Response:
    return versioned(plan_whole(stores().long_tasks.get(PLAN, plan_id)))


@blueprint.at("/<plan_id>/history", summary="What happened to a plan, oldest first", operation="get-plan-history")
@blueprint.gives(200, HistorySchema)
@blueprint.refuses(404)
def get_plan_history(plan_id: str) -> Response:
    return history_answer(f"{PLAN}/{plan_id}", lambda: stores().long_tasks.get(PLAN, plan_id))


@blueprint.at(
    "/<plan_id>/cancellation", "POST", summary="Stop a plan; the best so far is kept", operation="cancel-plan"
)
@blueprint.headers(IF_MATCH_OPTIONAL)
@blueprint.takes(PlanCancellationSchema, example={"reason": "Good enough"})
@blueprint.gives(200, PlanSchema, "Ended, or asked to (cancelling)", headers=ETAG)
@blueprint.refuses(404, 409, 412)
def post_cancellation(body: Cancellation, plan_id: str) -> Response:
    return versioned(plan_whole(cancelled(PLAN, plan_id, body.reason)))


@blueprint.at("/<plan_id>/apply", "POST", summary="Put a plan into force, all at once", operation="apply-plan")
@blueprint.gives(200, PlanSchema, "Every planned job is in its place", headers=ETAG)
@blueprint.refuses(404, 409)
def post_apply(plan_id: str) -> Response:
    """409 where the shop, a list, a claim or a job is not as planned any more: it is said what changed."""
    return versioned(plan_whole(tasks.apply_plan(stores(), plan_id)))


def plan_brief(task: LongTask) -> dict[str, Any]:
    request = from_json(task.request, PlanRequest)
    body: dict[str, Any] = plain(task)
    for name in ("kind", "request", "figures", "result"):
        body.pop(name)
    return body | {
        "location": f"{PATH}/{task.id}",
        "weights": to_plain(request.weights),
        "seed": request.seed,
        "job_ids": request.job_ids,
        "best_cost": task.figures.get("cost"),
        "bound": task.figures.get("bound"),
    }


def plan_whole(task: LongTask) -> dict[str, Any]:
    result = None if task.result is None else plain(from_json(task.result, PlanResult))
    return plan_brief(task) | {"result": result}
