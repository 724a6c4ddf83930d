"""/v1/outcomes: what became of prints, and what is learnt from them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flask import Response

from service.api.answers import plain, versioned
from service.api.blueprint import ETAG, IDEMPOTENCY_KEY, IF_NONE_MATCH, LINK, LOCATION, ResourceBlueprint
from service.api.described import schema_of
from service.api.etags import allowed_version, etag_of
from service.api.fields import Choice, Identifier, Note
from service.api.histories import HistorySchema, history_answer
from service.api.idempotency import turn
from service.api.jobs import IF_MATCH_OPTIONAL
from service.api.outcome_intake import outcome_from
from service.api.outcome_schema import OutcomeReport, OutcomeReportSchema
from service.api.paging import PageQuery, PageQuerySchema, after_of, limit_of, page_answer, page_schema
from service.api.schema import RecordSchema
from service.context import stores
from workers.model.codec import to_json
from workers.model.outcome import Outcome, OutcomeState
from workers.store.idempotency import Answer
from workers.store.outcomes import INDEXED, OutcomeFilter

blueprint = ResourceBlueprint(
    "outcomes",
    __name__,
    url_prefix="/v1/outcomes",
    description="What became of prints. An outcome is learnt at once, or flagged where it is out of line with what was "
    "expected: then it is kept and not learnt until it is confirmed. Either can be withdrawn exactly.",
)
OutcomeSchema = schema_of(Outcome)

EXAMPLE: dict[str, Any] = {
    "machine_id": "alder",
    "nozzle_id": "n-050-hard-1",
    "material_id": "pa-cf",
    "bead_width_mm": 0.55,
    "layer_height_mm": 0.25,
    "accepted": True,
    "print_h": 1.9,
    "extruded_cm3": 14.2,
    "sizes": [{"name": "pin bore", "kind": "hole", "nominal_mm": 6, "measured_mm": 5.88}],
    "note": "Ran through the night",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeQuery(PageQuery):
    job_id: str | None = None
    machine_id: str | None = None
    nozzle_id: str | None = None
    material_id: str | None = None
    state: OutcomeState | None = None

    def filter(self) -> OutcomeFilter:
        return OutcomeFilter(**{name: getattr(self, name) for name in INDEXED})


class OutcomeQuerySchema(PageQuerySchema):
    makes = OutcomeQuery
    job_id = Identifier(description="Only outcomes of this job")
    machine_id = Identifier(description="Only outcomes on this machine")
    nozzle_id = Identifier(description="Only outcomes through this nozzle")
    material_id = Identifier(description="Only outcomes in this material")
    state = Choice(OutcomeState, description="Only outcomes in this state")


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    reason: str = ""


class RemarkSchema(RecordSchema):
    makes = Remark
    reason = Note(500)


@blueprint.at("", "POST", summary="Report what became of a print", operation="create-outcome")
@blueprint.headers(IDEMPOTENCY_KEY)
@blueprint.takes(OutcomeReportSchema, example=EXAMPLE)
@blueprint.gives(201, OutcomeSchema, "Kept: learnt, or flagged with the reasons", headers=LOCATION | ETAG)
@blueprint.refuses(409)
def post_outcome(report: OutcomeReport) -> Response:
    with turn("POST /v1/outcomes") as mine:
        if mine.replay is not None:
            return mine.replay
        kept = stores().outcomes.keep(
            outcome_from(report),
            spool_id=report.spool_id,
            also=lambda pipe, outcome: mine.also(_finished(outcome))(pipe),
        )
        return versioned(plain(kept), 201, location=location_of(kept.id))


@blueprint.at("", summary="List outcomes, the last reported first", operation="list-outcomes")
@blueprint.asks(OutcomeQuerySchema)
@blueprint.gives(200, page_schema(OutcomeSchema, "Outcome"), headers=LINK)
def list_outcomes(query: OutcomeQuery) -> Response:
    page = stores().outcomes.page(query.filter(), after_of(query), limit_of(query))
    return page_answer([plain(outcome) for outcome in page.items], page.next_cursor)


@blueprint.at("/<outcome_id>", summary="One outcome", operation="get-outcome")
@blueprint.headers(IF_NONE_MATCH)
@blueprint.gives(200, OutcomeSchema, headers=ETAG)
@blueprint.gives(304, headers=ETAG)
@blueprint.refuses(404)
def get_outcome(outcome_id: str) -> Response:
    return versioned(plain(stores().outcomes.get(outcome_id)))


@blueprint.at(
    "/<outcome_id>/history", summary="What happened to an outcome, oldest first", operation="get-outcome-history"
)
@blueprint.gives(200, HistorySchema)
@blueprint.refuses(404)
def get_outcome_history(outcome_id: str) -> Response:
    return history_answer(f"outcome/{outcome_id}", lambda: stores().outcomes.get(outcome_id))


@blueprint.at("/<outcome_id>/confirmation", "POST", summary="Learn a flagged outcome", operation="confirm-outcome")
@blueprint.headers(IF_MATCH_OPTIONAL)
@blueprint.takes(RemarkSchema, example={"reason": "Measured again with another caliper: it is so"})
@blueprint.gives(200, OutcomeSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412)
def post_confirmation(remark: Remark, outcome_id: str) -> Response:
    return versioned(plain(stores().outcomes.confirm(outcome_id, _expected(outcome_id), remark.reason)))


@blueprint.at("/<outcome_id>/withdrawal", "POST", summary="Take an outcome back, exactly", operation="withdraw-outcome")
@blueprint.headers(IF_MATCH_OPTIONAL)
@blueprint.takes(RemarkSchema, example={"reason": "Reported for the wrong machine"})
@blueprint.gives(200, OutcomeSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412)
def post_withdrawal(remark: Remark, outcome_id: str) -> Response:
    return versioned(plain(stores().outcomes.withdraw(outcome_id, _expected(outcome_id), remark.reason)))


def location_of(outcome_id: str) -> str:
    return f"/v1/outcomes/{outcome_id}"


def _finished(outcome: Outcome) -> Answer:
    body = to_json(plain(outcome)).decode()
    return Answer(status=201, body=body, location=location_of(outcome.id), etag=etag_of(outcome.version))


def _expected(outcome_id: str) -> int | None:
    """The version that If-Match allows, checked once here and once more where it is written."""
    allowed = allowed_version()
    return None if allowed is None else allowed.require(stores().outcomes.get(outcome_id).version)
