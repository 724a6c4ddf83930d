"""/v1/job-batches: many jobs in one request, a result for each."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import marshmallow as ma
from flask import Response

from service.api.blueprint import IDEMPOTENCY_KEY, ResourceBlueprint
from service.api.examples import JOB
from service.api.fields import ListOf, Refused, refuse, shown
from service.api.idempotency import answer_again, turn
from service.api.intake import job_ids, material_ids, require_known_materials, ring, under
from service.api.job_answers import receipt
from service.api.job_schema import JobSchema
from service.api.part_jobs import require_part
from service.api.schema import Record, RecordSchema, summary_of
from service.context import context, stores
from service.problems import ProblemSchema, problem_of
from workers.model.codec import to_json
from workers.model.errors import FieldProblem, InvalidError
from workers.model.job import JobSpec, JobState
from workers.store.idempotency import Answer

PATH = "/v1/job-batches"
blueprint = ResourceBlueprint(
    "job-batches",
    __name__,
    url_prefix=PATH,
    description="Up to 5,000 jobs in one request. The good ones are kept in one atomic step; each has its result.",
)
_JOB = JobSchema()


class BatchItemSchema(ma.Schema):
    """status 202 with id, state, version and location, or 422 with a problem."""

    class Meta:
        unknown = ma.RAISE

    index = ma.fields.Integer(required=True, metadata={"minimum": 0})
    status = ma.fields.Integer(required=True)
    id = ma.fields.String()
    state = ma.fields.String()
    version = ma.fields.Integer()
    location = ma.fields.String(metadata={"format": "uri-reference"})
    part_id = ma.fields.String()
    problem = ma.fields.Nested(ProblemSchema)


class BatchAnswerSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    accepted = ma.fields.Integer(required=True)
    refused = ma.fields.Integer(required=True)
    items = ma.fields.List(ma.fields.Nested(BatchItemSchema), required=True)


@dataclass(frozen=True, slots=True)
class Sorted:
    """A batch's jobs by index: those that can be accepted, and what is wrong with the others."""

    specs: dict[int, JobSpec] = field(default_factory=dict)
    wrong: dict[int, InvalidError] = field(default_factory=dict)


class BatchSchema(RecordSchema):
    """Loads to the plain jobs: each is checked on its own, so that a bad one does not stop the others."""

    jobs = ListOf(Record(JobSchema), least=1, most=5000, required=True)

    def take(self, data: Any) -> list[Any]:
        most = context().settings.batch_limit
        if type(data) is not dict:
            raise refuse(f"{shown(data)} is not an object", 'an object as {"jobs": [...]}')
        unknown = [one for key in data if key != "jobs" for one in self._unknown(key)]
        jobs = data.get("jobs")
        if type(jobs) is not list or not 1 <= len(jobs) <= most:
            count = f"it has {len(jobs)} jobs" if type(jobs) is list else "this is no array of jobs"
            unknown.append(FieldProblem("/jobs", count, f"1 to {most} jobs"))
        if unknown:
            raise Refused(unknown)
        return list(jobs or ())


@blueprint.at("", "POST", summary="Hand in many jobs", operation="create-job-batch")
@blueprint.headers(IDEMPOTENCY_KEY)
@blueprint.takes(BatchSchema, example={"jobs": [JOB]})
@blueprint.gives(202, BatchAnswerSchema, "At least one job is kept and queued")
@blueprint.refuses(409)
def post_batch(jobs: list[Any]) -> Response:
    with turn(f"POST {PATH}") as mine:
        if mine.replay is not None:
            return mine.replay
        found = sort_out(jobs)
        if not found.specs:
            raise none_accepted(found)
        ids = dict(zip(found.specs, job_ids(len(found.specs)), strict=True))

        def finished(states: list[JobState]) -> Answer:
            receipts = {i: receipt(ids[i], state, found.specs[i].part_id) for i, state in zip(ids, states, strict=True)}
            return Answer(status=202, body=to_json(results(len(jobs), receipts, found)).decode())

        states = stores().jobs.hand_in(
            list(found.specs.values()),
            list(ids.values()),
            also=lambda pipe, states: mine.also(finished(states))(pipe),
        )
    ring()
    return answer_again(finished(states))


def sort_out(jobs: list[Any]) -> Sorted:
    """Check each job on its own."""
    known = material_ids(context().shop.newest())
    found = Sorted()
    for index, job in enumerate(jobs):
        try:
            spec = _JOB.load(job)
            require_known_materials(spec, known)
            require_part(spec)
        except InvalidError as error:
            found.wrong[index] = error
        else:
            found.specs[index] = spec
    return found


def results(count: int, receipts: dict[int, dict[str, Any]], found: Sorted) -> dict[str, Any]:
    """A result for each job, in the order of the request."""
    items = [
        {"index": i, "status": 202, **receipts[i]}
        if i in receipts
        else {"index": i, "status": 422, "problem": problem_of(found.wrong[i], f"{PATH}#/jobs/{i}")}
        for i in range(count)
    ]
    return {"accepted": len(receipts), "refused": len(found.wrong), "items": items}


def none_accepted(found: Sorted) -> InvalidError:
    """The refusal of a whole batch, with pointers from the batch down."""
    fields = tuple(
        one
        for index, error in found.wrong.items()
        for one in under(error.fields or (FieldProblem("", error.detail),), f"/jobs/{index}")
    )
    return InvalidError(f"no job was accepted; {summary_of(Refused(fields))}", fields=fields)
