"""/v1/routing-queries: the routing of a job that is not stored, at once."""

from __future__ import annotations

import time
from hashlib import blake2b
from typing import Any

import marshmallow as ma
from flask import Response, request

from service.api.answers import answer
from service.api.blueprint import ResourceBlueprint
from service.api.body import decode, raw_json
from service.api.described import RoutingAnswerSchema
from service.api.examples import JOB
from service.api.fields import pointer_token, shown
from service.api.information import InformationSchema, information_body
from service.api.intake import material_ids, require_known_materials
from service.api.job_answers import routing_body
from service.api.job_schema import JobSchema
from service.api.part_jobs import require_analysed
from service.context import context, stores
from service.problems import InvalidParametersError
from workers import tasks
from workers.learning.ageing import HOUR_S
from workers.model.errors import FieldProblem, InvalidError
from workers.model.job import JobSpec
from workers.model.shop import Shop

blueprint = ResourceBlueprint(
    "routing-queries",
    __name__,
    url_prefix="/v1/routing-queries",
    description="What if: the same routing as a job gets, for a job that is not stored.",
)
_JOB = JobSchema()


INFORMATION: dict[str, Any] = {
    "in": "query",
    "name": "information",
    "description": "Say as well what is worth measuring to be surer of the routing",
    "schema": {"type": "boolean", "default": False},
}


class RoutingQueryAnswerSchema(RoutingAnswerSchema):  # type: ignore[misc, valid-type]
    information = ma.fields.Nested(InformationSchema, metadata={"description": "Where it was asked for"})


@blueprint.at("", "POST", summary="Route a job without keeping it", operation="query-routing")
@blueprint.headers(INFORMATION)
@blueprint.documents_body(JobSchema, example=JOB)
@blueprint.gives(200, RoutingQueryAnswerSchema)
@blueprint.refuses(409)
def post_query() -> Response:
    """The same body against the same shop in the same hour has the same answer to the byte, so answers are kept."""
    informed = wants_information()
    raw, shared = raw_json(), context()
    shop = shared.shop.newest()
    asked = b"%d %d" % (time.time() // HOUR_S, informed)
    key = (shop.revision, asked + blake2b(raw, digest_size=32).digest())
    body = shared.answers.get(key)
    if body is None:
        body = work_out(_JOB.load(decode(raw)), shop, informed)
        shared.answers.put(key, body)
    return answer(body)


def wants_information() -> bool:
    """Raises InvalidParametersError."""
    if not request.query_string:
        return False
    for name, value in request.args.items():
        if name != "information":
            raise _bad_parameter(name, "there is no such parameter here", "information")
        if value not in {"true", "false"}:
            raise _bad_parameter(name, f"{shown(value)} is neither true nor false", "true or false")
    return request.args["information"] == "true"


def work_out(spec: JobSpec, shop: Shop, informed: bool = False) -> bytes:
    """Raises InvalidError for materials or a part that are not there, ConflictError while the part is analysed."""
    require_known_materials(spec, material_ids(shop))
    require_analysed(spec)
    [job] = tasks.posed_jobs(stores(), [spec])
    if isinstance(job, InvalidError):
        raise job
    routing = tasks.route_now(shop, job)
    if not informed:
        return routing_body(routing, shop)
    values = tasks.information_now(shop, job.spec_of(routing))
    return routing_body(routing, shop, information=information_body(shop, values))


def _bad_parameter(name: str, detail: str, allowed: str) -> InvalidParametersError:
    problem = FieldProblem(pointer_token(name[:120]), detail, allowed)
    return InvalidParametersError(f"{name[:120]}: {detail}", fields=(problem,))
