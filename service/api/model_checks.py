"""/v1/model-checks: what was foretold against what happened."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

import marshmallow as ma
from flask import Response

from service.api.answers import answer, plain
from service.api.blueprint import ResourceBlueprint
from service.api.described import schema_of
from service.api.fields import Moment, Text
from service.api.paging import QuerySchema
from service.context import stores
from workers.learning.check import check
from workers.model.check import ModelCheck
from workers.model.codec import to_json
from workers.model.outcome import Outcome, OutcomeState

MOST = 20_000  # newest outcomes looked at: reading them takes about a second (measured here)
blueprint = ResourceBlueprint(
    "model-checks",
    __name__,
    url_prefix="/v1/model-checks",
    description="How well the models foretold what then happened, by model version: reliability bins and Brier score "
    "of fit, clog and good copies, error and coverage of sizes and hours. Flagged outcomes count, withdrawn ones do "
    "not.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckQuery:
    since: float | None = None
    until: float | None = None
    model_version: str | None = None

    def takes(self, outcome: Outcome) -> bool:
        version = outcome.expected.model_version if outcome.expected else None
        return (
            outcome.state is not OutcomeState.WITHDRAWN
            and (self.since is None or outcome.at >= self.since)
            and (self.until is None or outcome.at < self.until)
            and self.model_version in (None, version)
        )


class CheckQuerySchema(QuerySchema):
    makes = CheckQuery
    since = Moment(description="Only prints that ended then or later")
    until = Moment(description="Only prints that ended before")
    model_version = Text(20, description="Only what this version foretold")


class ModelChecksSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    items = ma.fields.List(ma.fields.Nested(schema_of(ModelCheck)), required=True)
    outcomes = ma.fields.Integer(required=True, metadata={"description": "Outcomes that were looked at"})
    complete = ma.fields.Boolean(
        required=True, metadata={"description": f"false: there are more, and the newest {MOST} were looked at"}
    )


@blueprint.at("", summary="Predicted against observed, by model version", operation="get-model-checks")
@blueprint.asks(CheckQuerySchema)
@blueprint.gives(200, ModelChecksSchema)
def get_model_checks(query: CheckQuery) -> Response:
    """Sizes and times of outcomes that no routing spoke of have nothing to be checked against and are left out."""
    read = list(islice(stores().outcomes.newest_first(), MOST + 1))
    taken = [one for one in read[:MOST] if query.takes(one)]
    body = {"items": [plain(one) for one in check(taken)], "outcomes": len(taken), "complete": len(read) <= MOST}
    return answer(to_json(body))
