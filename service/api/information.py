"""What is worth measuring: which one gauge piece or measured print would most likely change a routing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import marshmallow as ma
from flask import Response

from service.api.answers import answer, plain
from service.api.blueprint import ResourceBlueprint
from service.api.described import schema_of
from service.api.part_jobs import routed
from service.context import context
from workers import tasks
from workers.model.codec import to_json
from workers.model.fleet import Machine, Material, Nozzle
from workers.model.routing import InformationValue, Measure
from workers.model.shop import PLURALS, Shop

blueprint = ResourceBlueprint(
    "value-of-information",
    __name__,
    url_prefix="/v1/jobs",
    description="Which one measurement would most likely change a routing, and what that would bring.",
)
_MEASURE = {
    Measure.GAUGE_PIECE: "Reading in a gauge piece of",
    Measure.MEASURED_PRINT: "Printing one copy, timed and measured, on",
}


class InformationSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    shop_revision = ma.fields.Integer(required=True)
    items = ma.fields.List(ma.fields.Nested(schema_of(InformationValue)), required=True)
    sentences = ma.fields.List(
        ma.fields.String(), required=True, metadata={"description": "The same in words, one for each item"}
    )


@blueprint.at(
    "/<job_id>/value-of-information",
    summary="What to measure to be surer of a job's routing, on today's shop",
    operation="get-job-value-of-information",
)
@blueprint.gives(200, InformationSchema)
@blueprint.refuses(404, 409)
def get_information(job_id: str) -> Response:
    _, spec = routed(job_id, "to be surer of")
    shop = context().shop.newest()
    return answer(to_json(information_body(shop, tasks.information_now(shop, spec))))


def information_body(shop: Shop, values: Sequence[InformationValue]) -> dict[str, Any]:
    return {
        "shop_revision": shop.revision,
        "items": [plain(one) for one in values],
        "sentences": [sentence(shop, one) for one in values],
    }


def sentence(shop: Shop, value: InformationValue) -> str:
    where = (
        f"{_name(shop, Machine, value.machine_id)} with {_name(shop, Nozzle, value.nozzle_id)} "
        f"in {_name(shop, Material, value.material_id)}"
    )
    chance = "less than 1 %" if value.chance_of_change < 0.005 else f"{value.chance_of_change:.0%}".replace("%", " %")
    return (
        f"{_MEASURE[value.measure]} {where} would change the choice with a chance of {chance}; "
        f"it brings {value.gain:.3g} of utility on average."
    )


def _name(shop: Shop, kind: type[Machine | Nozzle | Material], thing_id: str) -> str:
    for thing in getattr(shop, PLURALS[kind]):
        if thing.id == thing_id:
            return str(thing.name)
    return thing_id
