"""What the resources share that are long tasks: the receipt of one handed in, and its cancel."""

from __future__ import annotations

import marshmallow as ma
from flask import Response

from service.api.etags import allowed_version, etag_of
from service.api.idempotency import answer_again
from service.api.intake import ring_planning
from service.context import stores
from workers.model.codec import to_json
from workers.model.long_task import LongTask, TaskState
from workers.store.idempotency import Answer

LOOK_AGAIN_S = 1


class ReceiptSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    id = ma.fields.String(required=True)
    state = ma.fields.Enum(TaskState, by_value=True, required=True)
    version = ma.fields.Integer(required=True)
    location = ma.fields.String(required=True, metadata={"format": "uri-reference"})


def receipt(path: str, task_id: str) -> Answer:
    """The answer to a new task; kept, so that it can be given again."""
    location = f"{path}/{task_id}"
    body = {"id": task_id, "state": TaskState.WAITING.value, "version": 1, "location": location}
    return Answer(status=202, body=to_json(body).decode(), location=location, etag=etag_of(1))


def handed_in(kept: Answer) -> Response:
    """Ring for a task that is kept by now, and answer when to look again."""
    ring_planning()
    response = answer_again(kept)
    response.headers["Retry-After"] = str(LOOK_AGAIN_S)
    return response


def cancelled(kind: str, task_id: str, reason: str) -> LongTask:
    """The task, ended or asked to. Raises NotFoundError, VersionMismatchError (If-Match), ConflictError."""
    allowed, known = allowed_version(), stores().long_tasks
    expected = None if allowed is None else allowed.require(known.get(kind, task_id).version)
    return known.cancel(kind, task_id, expected, reason)
