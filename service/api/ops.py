"""/healthz, /readyz and /metrics: alive, able to take work, and in figures."""

from __future__ import annotations

import marshmallow as ma
from flask import Response

from service.api.answers import answer
from service.api.blueprint import ResourceBlueprint
from service.context import stores
from service.metrics import CONTENT_TYPE, text_of
from workers.model.codec import to_json
from workers.model.errors import UnavailableError
from workers.tasks import GEOMETRY_QUEUE, PLANNING_QUEUE, ROUTING_QUEUE

blueprint = ResourceBlueprint("operations", __name__, description="For those who run the service.")
PROBE_KEPT_S = 60
QUEUES = (GEOMETRY_QUEUE, PLANNING_QUEUE, ROUTING_QUEUE)


class StatusSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    status = ma.fields.String(required=True, metadata={"example": "ready"})


@blueprint.at("/healthz", summary="Whether the process is alive", operation="get-health")
@blueprint.gives(200, StatusSchema)
def get_health() -> Response:
    return answer(to_json({"status": "alive"}))


@blueprint.at(
    "/readyz", summary="Whether the store takes writes and a worker lives that routes", operation="get-readiness"
)
@blueprint.gives(200, StatusSchema)
def get_readiness() -> Response:
    """503 otherwise: a store's errors have their problem handler."""
    stores().client.set(stores().keys.lock("readyz"), "1", ex=PROBE_KEPT_S)
    if not stores().presence.living([ROUTING_QUEUE])[ROUTING_QUEUE]:
        raise UnavailableError("no routing worker was heard of lately: jobs are kept, but not routed until one is")
    return answer(to_json({"status": "ready"}))


@blueprint.at(
    "/metrics", summary="Figures for those who run the service (Prometheus text format)", operation="get-metrics"
)
@blueprint.gives(200, {"type": "string"}, "The figures", content_type="text/plain")
def get_metrics() -> Response:
    """Read from the store at each call, so that any process gives the figures of all of them."""
    body = text_of(stores().meter.read(), stores().presence.silent_s(QUEUES), QUEUES)
    return Response(body, mimetype=None, content_type=CONTENT_TYPE)
