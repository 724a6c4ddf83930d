"""/v1/routing-queries: the routing of a job that is not stored, at once."""

from __future__ import annotations

from hashlib import blake2b

from flask import Response

from service.api.answers import answer
from service.api.blueprint import ResourceBlueprint
from service.api.body import decode, raw_json
from service.api.described import RoutingAnswerSchema
from service.api.examples import JOB
from service.api.intake import material_ids, require_known_materials
from service.api.job_answers import routing_body
from service.api.job_schema import JobSchema
from service.context import context
from workers import tasks
from workers.model.job import JobSpec
from workers.model.shop import Shop

blueprint = ResourceBlueprint(
    "routing-queries",
    __name__,
    url_prefix="/v1/routing-queries",
    description="What if: the same routing as a job gets, for a job that is not stored.",
)
_JOB = JobSchema()


@blueprint.at("", "POST", summary="Route a job without keeping it", operation="query-routing")
@blueprint.documents_body(JobSchema, example=JOB)
@blueprint.gives(200, RoutingAnswerSchema)
def post_query() -> Response:
    """The same body against the same shop has the same answer to the byte, so finished answers are kept."""
    raw, shared = raw_json(), context()
    shop = shared.shop.newest()
    key = (shop.revision, blake2b(raw, digest_size=32).digest())
    body = shared.answers.get(key)
    if body is None:
        body = work_out(_JOB.load(decode(raw)), shop)
        shared.answers.put(key, body)
    return answer(body)


def work_out(spec: JobSpec, shop: Shop) -> bytes:
    """Raises InvalidError for materials that the shop does not have."""
    require_known_materials(spec, material_ids(shop))
    return routing_body(tasks.route_now(shop, spec), shop)
