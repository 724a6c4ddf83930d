"""/v1/events: everything that changed, once and in order; as pages, or as a stream of server-sent events."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import cast

import marshmallow as ma
from flask import Response, current_app, request

from service.api.answers import EVENT_STREAM, answer, takes_event_stream
from service.api.blueprint import ResourceBlueprint
from service.api.fields import Moment, Text, Whole
from service.api.paging import DEFAULT_LIMIT, MOST
from service.api.schema import RecordSchema
from service.context import context, stores
from service.event_streams import EventStreams, event_body
from service.problems import InvalidParametersError
from workers.model.codec import to_json
from workers.model.errors import FieldProblem

blueprint = ResourceBlueprint(
    "events",
    __name__,
    url_prefix="/v1/events",
    description="Every change of the shop and its jobs is one event. With Accept: text/event-stream the answer is a "
    "stream of server-sent events that goes on; each data line is one event as in a page. A reader that comes again "
    "with Last-Event-ID misses nothing and gets nothing twice. An event named gap says that older events than those "
    "kept were asked for. The newest 200,000 or so are kept.",
)
NAME = "borewright-event-streams"
_ID = re.compile(r"\d{1,18}(-\d{1,18})?", re.ASCII)
LAST_EVENT_ID = {
    "in": "header",
    "name": "Last-Event-ID",
    "description": "For a stream: the id of the last event received. Without one the stream begins with the next.",
    "schema": {"type": "string", "pattern": r"^(\d{1,18}(-\d{1,18})?)?$"},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class EventQuery:
    after: str = "0"
    limit: int = DEFAULT_LIMIT


class EventQuerySchema(RecordSchema):
    makes = EventQuery
    limit = Whole(1, MOST, description="Most events on a page; the service may be set to give fewer")
    after = Text(37, pattern=r"^\d{1,18}(-\d{1,18})?$", words="the id of an event", description="Only events behind it")


class EventSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    id = ma.fields.String(required=True, metadata={"description": "Rises from each event to the next"})
    at = Moment(required=True)
    kind = ma.fields.String(required=True, metadata={"example": "job.routed"})
    subject = ma.fields.String(required=True, metadata={"example": "job/01k0t3v7x9z1b3d5f7h9k1m3p5"})
    data = ma.fields.Dict(required=True)


class EventPageSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    items = ma.fields.List(ma.fields.Nested(EventSchema), required=True)
    last_id = ma.fields.String(required=True, metadata={"description": "after= for the next page"})
    more = ma.fields.Boolean(required=True, metadata={"description": "Whether there are more by now"})
    gap = ma.fields.Boolean(required=True, metadata={"description": "Whether events behind after= are no longer kept"})


@blueprint.at("", summary="What changed, oldest first", operation="list-events")
@blueprint.headers(LAST_EVENT_ID)
@blueprint.asks(EventQuerySchema)
@blueprint.gives(200, EventPageSchema, "A page; or a stream, where the Accept header prefers text/event-stream")
@blueprint.refuses(422)
def get_events(query: EventQuery) -> Response:
    resumed = _last_event_id()
    if takes_event_stream():
        return _stream(query, resumed)
    log, limit = stores().events, min(query.limit, context().settings.page_limit)
    found = log.after(query.after, limit + 1)
    items = found[:limit]
    body = {
        "items": [event_body(event) for event in items],
        "last_id": items[-1].id if items else query.after,
        "more": len(found) > limit,
        "gap": log.has_gap(query.after),
    }
    return answer(to_json(body))


def _last_event_id() -> str | None:
    """The header, if there is one. Raises InvalidParametersError, for a page too: there it would pass unnoticed."""
    last_id = request.headers.get("Last-Event-ID", "").strip()
    if last_id and not _ID.fullmatch(last_id):
        problem = FieldProblem("/Last-Event-ID", "this is no id of an event", "two whole numbers joined by -")
        raise InvalidParametersError("Last-Event-ID: this is no id of an event", fields=(problem,))
    return last_id or None


def _stream(query: EventQuery, resumed: str | None) -> Response:
    """Raises UnavailableError (503 with Retry-After) where too many are open."""
    last_id = resumed or (query.after if "after" in request.args else None)
    streams = cast(EventStreams, current_app.extensions[NAME])
    lines, close = streams.open(last_id)
    response = Response(lines, mimetype=EVENT_STREAM, headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"})
    response.call_on_close(close)
    return response
