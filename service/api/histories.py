"""Histories: what happened to one thing or job, oldest first."""

from __future__ import annotations

from collections.abc import Callable

import marshmallow as ma
from flask import Response

from service.api.answers import answer, plain
from service.api.fields import Moment
from service.context import stores
from workers.model.codec import to_json


class HistoryEntrySchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    at = Moment(required=True)
    kind = ma.fields.String(required=True, metadata={"example": "nozzle.mounted"})
    data = ma.fields.Dict(required=True, metadata={"description": "What the event says: version, ids, reason"})


class HistorySchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    items = ma.fields.List(ma.fields.Nested(HistoryEntrySchema), required=True)


def history_answer(subject: str, require_known: Callable[[], object]) -> Response:
    """The newest thousand entries; a thing that was deleted keeps its history. Raises NotFoundError."""
    entries = stores().events.history(subject)
    if not entries:
        require_known()
    return answer(to_json({"items": [plain(entry) for entry in entries]}))
