"""Cursor pagination: ``limit``, an opaque ``cursor``, and ``next_cursor`` in the answer (null on the last page)."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

import marshmallow as ma
from flask import Response, request

from service.api.answers import answer
from service.api.fields import Text, Whole
from service.api.schema import RecordSchema
from service.context import context
from service.problems import InvalidParametersError
from workers.model.codec import to_json
from workers.model.errors import FieldProblem

DEFAULT_LIMIT = 50
MOST = 1000  # the highest that the setting page_limit can be


@dataclass(frozen=True, slots=True, kw_only=True)
class PageQuery:
    limit: int = DEFAULT_LIMIT
    cursor: str | None = None


class QuerySchema(RecordSchema):
    """Query parameters: one cannot be null, it is left out."""

    def on_bind_field(self, field_name: str, field_obj: ma.fields.Field[Any]) -> None:
        super().on_bind_field(field_name, field_obj)
        field_obj.allow_none = False
        if field_obj.load_default is None:
            field_obj.load_default = ma.missing


class PageQuerySchema(QuerySchema):
    makes = PageQuery
    limit = Whole(1, MOST, description="Most things on a page; the service may be set to give fewer")
    cursor = Text(200, description="next_cursor of the page before", allow_none=False)


def limit_of(query: PageQuery) -> int:
    return min(query.limit, context().settings.page_limit)


def after_of(query: PageQuery) -> str | None:
    """The id behind which the page begins. Raises InvalidParametersError on a cursor of somebody's own making."""
    if query.cursor is None:
        return None
    try:
        padded = query.cursor + "=" * (-len(query.cursor) % 4)
        after = base64.b64decode(padded.encode("ascii"), altchars=b"-_", validate=True).decode("ascii")
    except (binascii.Error, ValueError):
        after = ""
    if not after or cursor_of(after) != query.cursor:
        problem = FieldProblem("/cursor", "this cursor was not given out here", "next_cursor of a page before")
        raise InvalidParametersError("cursor: this cursor was not given out here", fields=(problem,))
    return after


def cursor_of(last_id: str) -> str:
    return base64.urlsafe_b64encode(last_id.encode("ascii")).decode("ascii").rstrip("=")


def page_answer(items: Sequence[Any], next_id: str | None) -> Response:
    """The page, with a Link to the next one (RFC 8288)."""
    cursor = None if next_id is None else cursor_of(next_id)
    response = answer(to_json({"items": list(items), "next_cursor": cursor}))
    if cursor is not None:
        response.headers["Link"] = f'<{_next_url(request.args, cursor)}>; rel="next"'
    return response


def _next_url(arguments: Mapping[str, str], cursor: str) -> str:
    return f"{request.path}?{urlencode({**arguments, 'cursor': cursor})}"


def page_schema(item: type[ma.Schema], name: str) -> type[ma.Schema]:
    """Describes a page of items."""
    fields: dict[str, ma.fields.Field[Any]] = {
        "items": ma.fields.List(ma.fields.Nested(item), required=True),
        "next_cursor": ma.fields.String(required=True, allow_none=True),
    }
    return ma.Schema.from_dict(fields, name=f"{name}Page")
