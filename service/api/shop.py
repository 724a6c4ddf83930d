"""/v1/shop: what holds for the whole shop."""

from __future__ import annotations

from flask import Response

from service.api.answers import answer, plain
from service.api.blueprint import ResourceBlueprint
from service.api.histories import HistorySchema, history_answer
from service.api.job_schema import EmphasisSchema
from service.context import context, stores
from workers.model.codec import to_json
from workers.model.job import Emphasis

blueprint = ResourceBlueprint(
    "shop",
    __name__,
    url_prefix="/v1/shop",
    description="What holds for the whole shop: the default weights of the four scores.",
)
EXAMPLE = {"detail": 0.3, "fit": 0.3, "clog": 0.2, "time": 0.2}


@blueprint.at("/emphasis", summary="The default weights", operation="get-emphasis")
@blueprint.gives(200, EmphasisSchema, example=EXAMPLE)
def get_emphasis() -> Response:
    return answer(to_json(plain(context().shop.newest().emphasis)))


@blueprint.at("/emphasis", "PUT", summary="Set the default weights", operation="set-emphasis")
@blueprint.takes(EmphasisSchema, example=EXAMPLE)
@blueprint.gives(200, EmphasisSchema)
def put_emphasis(emphasis: Emphasis) -> Response:
    stores().fleet.set_emphasis(emphasis)
    return answer(to_json(plain(emphasis)))


@blueprint.at("/emphasis/history", summary="How the default weights changed", operation="get-emphasis-history")
@blueprint.gives(200, HistorySchema)
def get_emphasis_history() -> Response:
    return history_answer("shop/emphasis", lambda: None)
