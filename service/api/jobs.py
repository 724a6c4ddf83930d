"""/v1/jobs: hand one in, follow it, cancel it, try it again."""

from __future__ import annotations

from dataclasses import dataclass, replace

from flask import Response, request

from service.api.answers import versioned
from service.api.blueprint import (
    BODY_REFUSED,
    ETAG,
    IDEMPOTENCY_KEY,
    IF_MATCH,
    IF_NONE_MATCH,
    LINK,
    LOCATION,
    ResourceBlueprint,
)
from service.api.body import decode, raw_json
from service.api.described import (
    JobBriefSchema,
    JobReceiptSchema,
    JobRecordSchema,
    NotYetRoutedSchema,
    RoutingAnswerSchema,
)
from service.api.etags import allowed_version, etag_of
from service.api.examples import JOB, UPLOADED_JOB
from service.api.fields import Choice, Note
from service.api.histories import HistorySchema, history_answer
from service.api.idempotency import answer_again, turn
from service.api.intake import job_ids, material_ids, require_known_materials, ring, ring_geometry, under
from service.api.job_answers import brief, location_of, receipt, routing_answer, whole
from service.api.job_schema import JobSchema, UploadedJobSchema
from service.api.paging import PageQuery, PageQuerySchema, after_of, limit_of, page_answer, page_schema
from service.api.part_jobs import require_features_if_known, require_part
from service.api.part_upload import MULTIPART, multipart_content, read_upload, text_of
from service.api.schema import RecordSchema
from service.context import context, stores
from service.problems import RETRY_AFTER, UnsupportedMediaTypeError
from workers.model.codec import to_json
from workers.model.errors import FieldProblem, InvalidError
from workers.model.job import JobSpec, JobState
from workers.store.idempotency import Answer
from workers.store.uploads import Upload

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


BODIES = {"application/json": {"schema": JobSchema, "example": JOB}} | multipart_content(
    UploadedJobSchema, UPLOADED_JOB
)
_JOB, _UPLOADED_JOB = JobSchema(), UploadedJobSchema()


@blueprint.at("", "POST", summary="Hand in a job, its mesh with it if you like", operation="create-job")
@blueprint.headers(IDEMPOTENCY_KEY)
@blueprint.documents_bodies(BODIES)
@blueprint.gives(202, JobReceiptSchema, "Kept and queued", headers=LOCATION | ETAG)
@blueprint.refuses(403, 409, *BODY_REFUSED)
def post_job() -> Response:
    if request.mimetype == MULTIPART:
        return _take_with_mesh()
    if not request.is_json:
        given = request.mimetype or "none"
        raise UnsupportedMediaTypeError(f"the Content-Type is {given}; application/json and {MULTIPART} are taken here")
    spec: JobSpec = _JOB.load(decode(raw_json()))
    return _take(spec, None, None)


def _take_with_mesh() -> Response:
    """Part and job in one request: ``job`` is the job as JSON, without summary and part_id."""
    upload = read_upload("job")
    raw = text_of("job")
    if raw is None:
        detail = "this is missing"
        raise InvalidError(f"/job: {detail}", fields=(FieldProblem("/job", detail, "the job as JSON"),))
    try:
        spec: JobSpec = _UPLOADED_JOB.load(decode(raw.encode()))
    except InvalidError as error:
        raise InvalidError(f"/job{error.detail}", fields=under(error.fields, "/job")) from None
    payload = f"{upload.id}\n{raw}".encode()
    try:
        return _take(replace(spec, part_id=upload.id), upload, payload)
    except InvalidError as error:
        fields = tuple(
            replace(one, pointer="/file" if one.pointer == "/part_id" else f"/job{one.pointer}") for one in error.fields
        )
        raise InvalidError(error.detail, fields=fields) from None


def _take(spec: JobSpec, upload: Upload | None, payload: bytes | None) -> Response:
    with turn("POST /v1/jobs", payload) as mine:
        if mine.replay is not None:
            return mine.replay
        require_known_materials(spec, material_ids(context().shop.newest()))
        if upload is None:
            require_part(spec)
        else:
            require_features_if_known(spec)
        [job_id] = job_ids(1)

        def finished(state: JobState) -> Answer:
            body = to_json(receipt(job_id, state, spec.part_id)).decode()
            return Answer(status=202, body=body, location=location_of(job_id), etag=etag_of(1))

        [state] = stores().jobs.hand_in(
            [spec], [job_id], upload=upload, also=lambda pipe, states: mine.also(finished(states[0]))(pipe)
        )
    if state is JobState.ACCEPTED:
        ring()
    elif upload is not None:
        ring_geometry()
    return answer_again(finished(state))


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
