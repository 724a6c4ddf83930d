"""/v1/audit: which requests changed something or were refused the change, by whose key."""

from __future__ import annotations

import re

from flask import Response

from service.api.answers import plain
from service.api.blueprint import LINK, ResourceBlueprint
from service.api.described import schema_of
from service.api.paging import PageQuery, PageQuerySchema, after_of, limit_of, page_answer, page_schema
from service.context import stores
from service.problems import InvalidParametersError
from workers.model.access import Asked
from workers.model.errors import FieldProblem

blueprint = ResourceBlueprint(
    "audit",
    __name__,
    url_prefix="/v1/audit",
    description="The trail: every request that changed something, or was refused, with the key it came with. "
    "Written while the service is set to access keys; the newest 100,000 or so are kept.",
)
_ID = re.compile(r"\d{1,18}-\d{1,18}", re.ASCII)


@blueprint.at("", summary="Who asked for what change, newest first", operation="list-audit")
@blueprint.asks(PageQuerySchema)
@blueprint.gives(200, page_schema(schema_of(Asked), "Audit"), headers=LINK)
def list_audit(query: PageQuery) -> Response:
    before = after_of(query)
    if before is not None and not _ID.fullmatch(before):
        problem = FieldProblem("/cursor", "this cursor was not given out here", "next_cursor of a page before")
        raise InvalidParametersError("cursor: this cursor was not given out here", fields=(problem,))
    found, more = stores().access.trail(before, limit_of(query))
    return page_answer([plain(one) for one in found], found[-1].id if more else None)
