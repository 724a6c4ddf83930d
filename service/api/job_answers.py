"""How jobs and their routings look from outside."""

from __future__ import annotations

from typing import Any

from flask import Response

from service.api.answers import answer, plain
from service.api.moments import format_moment
from service.api.remedies import with_remedies
from service.context import context, stores
from workers.model.codec import to_json, to_plain
from workers.model.errors import ConflictError
from workers.model.job import JobSpec, JobState
from workers.model.record import JobRecord
from workers.model.routing import Routing
from workers.model.shop import Shop
from workers.routing.explain import explain

WAITING = frozenset({JobState.ACCEPTED, JobState.ANALYSING})
LOOK_AGAIN_S = 1


def location_of(job_id: str) -> str:
    return f"/v1/jobs/{job_id}"


def receipt(job_id: str, state: JobState = JobState.ACCEPTED, part_id: str | None = None) -> dict[str, Any]:
    """What is known of a job the moment it is kept; its part where that is one of /v1/parts."""
    known = {"id": job_id, "state": state.value, "version": 1, "location": location_of(job_id)}
    return known if part_id is None else known | {"part_id": part_id}


def brief(record: JobRecord) -> dict[str, Any]:
    """A job in a list."""
    spec: JobSpec = record.spec
    return {
        "id": record.id,
        "name": spec.name,
        "state": record.state.value,
        "reason": record.reason,
        "version": record.version,
        "attempt": record.attempt,
        "quantity": spec.quantity,
        "priority": spec.priority,
        "due_at": None if spec.due_at is None else format_moment(spec.due_at),
        "created_at": format_moment(record.created_at),
        "updated_at": format_moment(record.updated_at),
    }


def whole(record: JobRecord) -> dict[str, Any]:
    """The record, its job as it was handed in: tolerances that lean on a part stand among the others."""
    body: dict[str, Any] = plain(record)
    body["spec"]["tolerances"] += body["spec"].pop("open_tolerances")
    return body


def routing_body(routing: Routing, shop: Shop, **more: Any) -> bytes:
    """A routing with its reasons, and what else was asked for; the same bytes for the same input."""
    as_of = None if routing.as_of is None else format_moment(routing.as_of)
    said = to_plain(routing) | {"as_of": as_of}  # its only moment: looking for others would take longer than all else
    return to_json({"routing": said, "explanation": explain(routing, shop), **more})


def routing_answer(job_id: str) -> Response:
    """200 with the routing, 202 while the job waits for one. Raises NotFoundError, ConflictError."""
    routing = stores().jobs.routing(job_id)
    if routing is not None and routing.chosen is not None:
        return answer(routing_body(routing, context().shop.newest()))
    record = stores().jobs.get(job_id)
    if routing is not None:
        shop = context().shop.newest()
        return answer(routing_body(with_remedies(routing, record, shop), shop))
    if record.state not in WAITING:
        reason = f" ({record.reason})" if record.reason else ""
        raise ConflictError(f"the job is {record.state}{reason} and has no routing")
    response = answer(to_json({"job_id": job_id, "state": record.state.value}), 202)
    response.headers["Retry-After"] = str(LOOK_AGAIN_S)
    return response
