"""/v1/jobs: hand one in, follow it, cancel it, try it again."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Response

from service.api.answers import answer, versioned
from service.api.blueprint import (
    ETAG,
    IDEMPOTENCY_KEY,
    IF_MATCH,
    IF_NONE_MATCH,
    LINK,
    LOCATION,
    ResourceBlueprint,
)
from service.api.described import (
    JobBriefSchema,
    JobReceiptSchema,
    JobRecordSchema,
    NotYetRoutedSchema,
    RoutingAnswerSchema,
)
from service.api.etags import allowed_version, etag_of
from service.api.examples import JOB
from service.api.fields import Choice, Note
from service.api.histories import HistorySchema, history_answer
from service.api.idempotency import turn
from service.api.intake import job_ids, material_ids, require_known_materials, ring
from service.api.job_answers import brief, location_of, receipt, routing_answer, whole
from service.api.job_schema import JobSchema
from service.api.paging import PageQuery, PageQuerySchema, after_of, limit_of, page_answer, page_schema
from service.api.schema import RecordSchema
from service.context import context, stores
from service.problems import RETRY_AFTER
from workers.model.codec import to_json
from workers.model.job import JobSpec, JobState
from workers.store.idempotency import Answer

blueprint = ResourceBlueprint(
    "jobs",
    __name__,
    url_prefix="/v1/jobs",
    description="Jobs: a part, the materials allowed, what it must hold and what matters most. 202 is answered "
    "when a job is kept and queued.",
)

IF_MATCH_OPTIONAL = {
    **IF_MATCH,
    "required": False,
    "description": "Optional: the version you have seen; 412 when it has changed since.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class JobQuery(PageQuery):
    state: JobState | None = None


class JobQuerySchema(PageQuerySchema):
    makes = JobQuery
    state = Choice(JobState, description="Only jobs in this state")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cancellation:
    reason: str = ""


class CancellationSchema(RecordSchema):
    makes = Cancellation
    reason = Note(500)


@blueprint.at("", "POST", summary="Hand in a job", operation="create-job")
@blueprint.headers(IDEMPOTENCY_KEY)
@blueprint.takes(JobSchema, example=JOB)
@blueprint.gives(202, JobReceiptSchema, "Kept and queued", headers=LOCATION | ETAG)
@blueprint.refuses(409)
def post_job(spec: JobSpec) -> Response:
    with turn("POST /v1/jobs") as mine:
        if mine.replay is not None:
            return mine.replay
        require_known_materials(spec, material_ids(context().shop.newest()))
        [job_id] = job_ids(1)
        body, location, etag = to_json(receipt(job_id)), location_of(job_id), etag_of(1)
        finished = Answer(status=202, body=body.decode(), location=location, etag=etag)
        stores().jobs.accept([spec], [job_id], also=mine.also(finished))
    ring()
    return answer(body, 202, location=location, etag=etag)


@blueprint.at("", summary="List jobs, newest first", operation="list-jobs")
@blueprint.asks(JobQuerySchema)
@blueprint.gives(200, page_schema(JobBriefSchema, "JobBrief"), headers=LINK)
def list_jobs(query: JobQuery) -> Response:
    page = stores().jobs.page(query.state, after_of(query), limit_of(query))
    return page_answer([brief(record) for record in page.items], page.next_cursor)


@blueprint.at("/<job_id>", summary="One job", operation="get-job")
@blueprint.headers(IF_NONE_MATCH)
@blueprint.gives(200, JobRecordSchema, headers=ETAG)
@blueprint.gives(304, headers=ETAG)
@blueprint.refuses(404)
def get_job(job_id: str) -> Response:
    return versioned(whole(stores().jobs.get(job_id)))


@blueprint.at("/<job_id>/routing", summary="A job's routing and its reasons", operation="get-job-routing")
@blueprint.gives(200, RoutingAnswerSchema)
@blueprint.gives(202, NotYetRoutedSchema, "Not routed yet: look again", headers={"Retry-After": RETRY_AFTER})
@blueprint.refuses(404, 409)
def get_routing(job_id: str) -> Response:
    return routing_answer(job_id)


@blueprint.at("/<job_id>/history", summary="What happened to a job, oldest first", operation="get-job-history")
@blueprint.gives(200, HistorySchema)
@blueprint.refuses(404)
def get_job_history(job_id: str) -> Response:
    return history_answer(f"job/{job_id}", lambda: stores().jobs.get(job_id))


@blueprint.at("/<job_id>/cancellation", "POST", summary="Cancel a job", operation="cancel-job")
@blueprint.headers(IF_MATCH_OPTIONAL)
@blueprint.takes(CancellationSchema, example={"reason": "The customer withdrew the order"})
@blueprint.gives(200, JobRecordSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412)
def post_cancellation(cancellation: Cancellation, job_id: str) -> Response:
    return versioned(whole(stores().jobs.cancel(job_id, _expected(job_id), cancellation.reason)))


@blueprint.at("/<job_id>/retry", "POST", summary="Route a job again on today's shop", operation="retry-job")
@blueprint.headers(IF_MATCH_OPTIONAL)
@blueprint.gives(202, JobRecordSchema, "Queued again", headers=ETAG)
@blueprint.refuses(404, 409, 412)
def post_retry(job_id: str) -> Response:
    record = stores().jobs.retry(job_id, _expected(job_id))
    ring()
    return versioned(whole(record), 202)


def _expected(job_id: str) -> int | None:
    """The version that If-Match allows, checked once here and once more where it is written."""
    allowed = allowed_version()
    return None if allowed is None else allowed.require(stores().jobs.get(job_id).version)
