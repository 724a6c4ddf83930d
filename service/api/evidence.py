"""/v1/evidence: what was learnt from outcomes, from how many, and what it comes to."""

from __future__ import annotations

import time
from dataclasses import dataclass

import marshmallow as ma
from flask import Response

from service.api.answers import plain
from service.api.blueprint import LINK, ResourceBlueprint
from service.api.described import schema_of
from service.api.fields import Choice, Identifier
from service.api.paging import PageQuery, PageQuerySchema, after_of, limit_of, page_answer, page_schema
from service.context import context
from service.problems import InvalidParametersError
from workers.learning.ageing import hour_of
from workers.model.errors import FieldProblem
from workers.model.evidence import Evidence, EvidenceKey, Sums, sort_key
from workers.model.part import FeatureKind
from workers.routing.posterior import Posterior, posterior_of
from workers.store.evidence import key_of, text_of

blueprint = ResourceBlueprint(
    "evidence",
    __name__,
    url_prefix="/v1/evidence",
    description="What was learnt from outcomes, for each pairing as a whole and for each kind of size measured on it: "
    "the sums kept, what was observed, and what is believed with priors, neighbours and calibrations.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceQuery(PageQuery):
    machine_id: str | None = None
    nozzle_id: str | None = None
    material_id: str | None = None
    kind: FeatureKind | None = None

    def takes(self, key: EvidenceKey) -> bool:
        names = ("machine_id", "nozzle_id", "material_id", "kind")
        return all(getattr(self, name) in (None, getattr(key, name)) for name in names)


class EvidenceQuerySchema(PageQuerySchema):
    makes = EvidenceQuery
    machine_id = Identifier(description="Only of this machine")
    nozzle_id = Identifier(description="Only of this nozzle")
    material_id = Identifier(description="Only of this material")
    kind = Choice(FeatureKind, description="Only of this kind of size")


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceAnswer:
    key: EvidenceKey
    sums: Sums
    posterior: Posterior


EvidenceSchema: type[ma.Schema] = schema_of(EvidenceAnswer)


@blueprint.at("", summary="List what was learnt, pairing by pairing", operation="list-evidence")
@blueprint.asks(EvidenceQuerySchema)
@blueprint.gives(200, page_schema(EvidenceSchema, "Evidence"), headers=LINK)
def list_evidence(query: EvidenceQuery) -> Response:
    shop, after, limit = context().shop.newest(), _after(query), limit_of(query)
    wanted = [one for one in shop.evidence if query.takes(one.key) and (after is None or sort_key(one.key) > after)]
    hour = hour_of(time.time())
    answers = [_answer(one, posterior_of(shop, one.key, one.sums, hour)) for one in wanted[:limit]]
    return page_answer([plain(one) for one in answers], text_of(answers[-1].key) if len(wanted) > limit else None)


def _answer(one: Evidence, posterior: Posterior) -> EvidenceAnswer:
    return EvidenceAnswer(key=one.key, sums=one.sums, posterior=posterior)


def _after(query: EvidenceQuery) -> tuple[str, str, str, int, str, str] | None:
    text = after_of(query)
    try:
        return None if text is None else sort_key(key_of(text))
    except ValueError:
        problem = FieldProblem("/cursor", "this cursor was not given out here", "next_cursor of a page before")
        raise InvalidParametersError("cursor: this cursor was not given out here", fields=(problem,)) from None
