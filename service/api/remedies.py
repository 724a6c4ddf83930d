"""What would help a job: /v1/jobs/{id}/remedies, tried when it is asked for and kept while the shop stands."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from hashlib import blake2b
from typing import Any

import marshmallow as ma
from flask import Response

from service.api.answers import answer, plain
from service.api.blueprint import ResourceBlueprint
from service.api.described import schema_of
from service.api.part_jobs import routed, with_part
from service.context import context
from workers import tasks
from workers.learning.ageing import HOUR_S
from workers.model.codec import from_json, to_json
from workers.model.job import JobSpec
from workers.model.record import JobRecord
from workers.model.routing import Help, Remedy, Routing
from workers.model.shop import Shop
from workers.routing.betterments import WEAK

blueprint = ResourceBlueprint(
    "remedies",
    __name__,
    url_prefix="/v1/jobs",
    description="What would help a job that nothing can print, or that is weakly routed: each change was tried.",
)


class RemediesSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    shop_revision = ma.fields.Integer(required=True)
    weak_below = ma.fields.Float(
        required=True, metadata={"description": "A detail, fit or clog score under this is weak: an engineering prior"}
    )
    items = ma.fields.List(ma.fields.Nested(schema_of(Help)), required=True)
    sentences = ma.fields.List(
        ma.fields.String(), required=True, metadata={"description": "The same in words, one for each item"}
    )


@blueprint.at(
    "/<job_id>/remedies",
    summary="What would make a job routable, or its routing better, and by how much",
    operation="get-job-remedies",
)
@blueprint.gives(200, RemediesSchema)
@blueprint.refuses(404, 409)
def get_remedies(job_id: str) -> Response:
    """On today's shop. The first look tries the changes, some tens of milliseconds; later ones read what was kept."""
    record, spec = routed(job_id, "to help")
    shop = context().shop.newest()
    return answer(kept("help", record, shop, lambda: to_json(remedies_body(shop, spec))))


def remedies_body(shop: Shop, spec: JobSpec) -> dict[str, Any]:
    return help_body(shop, tasks.helps_now(shop, spec))


def help_body(shop: Shop, found: Sequence[Help]) -> dict[str, Any]:
    return {
        "shop_revision": shop.revision,
        "weak_below": WEAK,
        "items": [plain(one) for one in found],
        "sentences": [f"{one.change}: {one.effect}." for one in found],
    }


def with_remedies(routing: Routing, record: JobRecord, shop: Shop) -> Routing:
    """A stored routing of an unroutable job with what would make it routable on today's shop, tried on first read."""
    if routing.chosen is not None or routing.remedies:
        return routing
    spec = with_part(record, routing).spec
    if spec.summary is None:
        return routing
    found = kept("routable", record, shop, lambda: to_json(tasks.remedies_now(shop, spec)))
    return replace(routing, remedies=from_json(found, tuple[Remedy, ...]))


def kept(what: str, record: JobRecord, shop: Shop, work: Callable[[], bytes]) -> bytes:
    """What ``work`` gives, kept for this attempt of the job while the shop's revision and the hour stand."""
    asked = f"{what} {record.id} {record.attempt} {time.time() // HOUR_S}".encode()
    key = (shop.revision, blake2b(asked, digest_size=32).digest())
    body = context().answers.get(key)
    if body is None:
        body = work()
        context().answers.put(key, body)
    return body
