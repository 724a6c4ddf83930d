"""/v1/claims: a machine takes the first copy of its list, holds on to it, gives it back or finishes it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

import marshmallow as ma
from flask import Response

from service.api.answers import answer, empty, plain, versioned
from service.api.blueprint import ETAG, IDEMPOTENCY_KEY, IF_NONE_MATCH, LOCATION, ResourceBlueprint
from service.api.described import schema_of
from service.api.fields import Choice, Flag, Identifier, ListOf, Note, Number, Text, Whole
from service.api.idempotency import idempotency_key
from service.api.schema import Record, RecordSchema
from service.context import stores
from workers import tasks
from workers.model.codec import to_json
from workers.model.dispatch import Claim
from workers.model.errors import FieldProblem, InvalidError
from workers.model.outcome import Report, ScrapReason
from workers.store.claims import Nothing, Taking, new_claim_id

LEASE_LOW_S, LEASE_HIGH_S = 5.0, 7 * 86_400.0
DEFAULT_LEASE_S = 300.0

blueprint = ResourceBlueprint(
    "claims",
    __name__,
    url_prefix="/v1/claims",
    description="Claims: the right of one machine to print one copy, for as long as its lease is renewed. A lease that "
    "is not renewed lapses and the copy returns to its place. A finish that comes after that is taken once while "
    "nobody else has the copy, and refused (409) otherwise. A claim names the spool that it prints from, and its "
    "finish takes the filament off that spool, once.",
)
ClaimSchema = schema_of(Claim)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakingBody:
    machine_id: str
    claimant: str
    lease_s: float = DEFAULT_LEASE_S


class TakingSchema(RecordSchema):
    makes = TakingBody
    machine_id = Identifier()
    claimant = Text(80, description="Who claims: a person or a machine's agent", example="agent on alder")
    lease_s = Number(LEASE_LOW_S, LEASE_HIGH_S, "s", description="Time until the claim lapses unless it is renewed")


@dataclass(frozen=True, slots=True, kw_only=True)
class Renewal:
    progress: float | None = None
    lease_s: float | None = None
    spool_id: str | None = None


class RenewalSchema(RecordSchema):
    makes = Renewal
    progress = Number(0, 1, description="Share of the copy that is printed")
    lease_s = Number(LEASE_LOW_S, LEASE_HIGH_S, "s", description="null: as before")
    spool_id = Identifier(
        description="The spool it is printed from; null: the one loaded at the nozzle's slot when the claim was taken"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class GivingBack:
    reason: str = ""


class GivingBackSchema(RecordSchema):
    makes = GivingBack
    reason = Note(500)


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    name: str
    measured_mm: float


class SizeSchema(RecordSchema):
    """A toleranced size of the job, as measured on this copy."""

    makes = Size
    name = Text(80)
    measured_mm = Number(0.001, 5000, "mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    accepted: bool
    scrap_reason: ScrapReason | None = None
    note: str = ""
    clogs: int = 0
    print_h: float | None = None
    extruded_cm3: float | None = None
    sizes: tuple[Size, ...] = ()
    remake: bool = False
    spool_id: str | None = None


class FinishSchema(RecordSchema):
    makes = Finish
    accepted = Flag()
    scrap_reason = Choice(ScrapReason, description="Why the copy was not accepted")
    note = Note(500)
    clogs = Whole(0, 100)
    print_h = Number(0.001, 2000, "h", description="Time it took")
    extruded_cm3 = Number(
        0, 1_000_000, "cm3", description="null: the whole copy where it was accepted, else the share last told of it"
    )
    sizes = ListOf(Record(SizeSchema), most=200)
    remake = Flag(description="A scrapped copy waits again in its place")
    spool_id = Identifier(
        description="The spool it is printed from; null: the one loaded at the nozzle's slot when the claim was taken"
    )

    def rules(self, record: Any) -> list[FieldProblem]:
        if record.accepted and record.scrap_reason is not None:
            return [FieldProblem("/scrap_reason", "the copy was accepted", "null")]
        if record.accepted and record.remake:
            return [FieldProblem("/remake", "the copy was accepted", "false")]
        return []


class HeldSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    items = ma.fields.List(ma.fields.Nested(ClaimSchema), required=True)


@blueprint.at("", "POST", summary="Take the first copy that waits on a machine's dispatch list", operation="take-claim")
@blueprint.headers(IDEMPOTENCY_KEY)
@blueprint.takes(TakingSchema, example={"machine_id": "alder", "claimant": "agent on alder", "lease_s": 300})
@blueprint.gives(201, ClaimSchema, "Taken", headers=LOCATION | ETAG)
@blueprint.gives(204, description="Nothing waits that this machine could print now")
@blueprint.refuses(404, 409)
def post_claim(body: TakingBody) -> Response:
    claim = stores().claims.take(
        Taking(machine_id=body.machine_id, claimant=body.claimant, lease_s=body.lease_s, claim_id=_claim_id())
    )
    if isinstance(claim, Nothing):
        return empty()
    return versioned(claim_body(claim), 201, location=f"/v1/claims/{claim.id}")


def _claim_id() -> str:
    """With an Idempotency-Key, made from it: the same request again finds the claim that it has taken."""
    key = idempotency_key()
    return new_claim_id() if key is None else "k" + hashlib.sha256(key.encode()).hexdigest()[:31]


@blueprint.at("", summary="The claims held now, the one that lapses first ahead", operation="list-claims")
@blueprint.gives(200, HeldSchema)
def list_claims() -> Response:
    return answer(to_json({"items": [claim_body(claim) for claim in stores().claims.held()]}))


@blueprint.at("/<claim_id>", summary="One claim", operation="get-claim")
@blueprint.headers(IF_NONE_MATCH)
@blueprint.gives(200, ClaimSchema, headers=ETAG)
@blueprint.gives(304, headers=ETAG)
@blueprint.refuses(404)
def get_claim(claim_id: str) -> Response:
    return versioned(claim_body(stores().claims.get(claim_id)))


@blueprint.at("/<claim_id>/renewal", "POST", summary="Hold on to a claim, and tell progress", operation="renew-claim")
@blueprint.takes(RenewalSchema, example={"progress": 0.4})
@blueprint.gives(200, ClaimSchema, headers=ETAG)
@blueprint.refuses(404, 409)
def post_renewal(body: Renewal, claim_id: str) -> Response:
    return versioned(claim_body(stores().claims.renew(claim_id, body.progress, body.lease_s, body.spool_id)))


@blueprint.at("/<claim_id>/giving-back", "POST", summary="Give a copy back unprinted", operation="give-claim-back")
@blueprint.takes(GivingBackSchema, example={"reason": "The spool ran out"})
@blueprint.gives(200, ClaimSchema, headers=ETAG)
@blueprint.refuses(404, 409)
def post_giving_back(body: GivingBack, claim_id: str) -> Response:
    return versioned(claim_body(stores().claims.give_back(claim_id, body.reason)))


@blueprint.at("/<claim_id>/finish", "POST", summary="Report what became of the copy", operation="finish-claim")
@blueprint.takes(FinishSchema, example={"accepted": True, "print_h": 1.9})
@blueprint.gives(200, ClaimSchema, "Finished; the same report again is answered alike", headers=ETAG)
@blueprint.refuses(404, 409)
def post_finish(body: Finish, claim_id: str) -> Response:
    _require_known_sizes(body, stores().claims.get(claim_id))
    report = Report(
        accepted=body.accepted,
        scrap_reason=body.scrap_reason,
        note=body.note,
        clogs=body.clogs,
        print_h=body.print_h,
        extruded_cm3=body.extruded_cm3,
        sizes=tuple((one.name, one.measured_mm) for one in body.sizes),
    )
    claim = stores().claims.finish(claim_id, report, remake=body.remake, spool_id=body.spool_id)
    tasks.record_outcome(stores(), claim_id)
    return versioned(claim_body(claim))


def _require_known_sizes(body: Finish, claim: Claim) -> None:
    """Raises InvalidError at each size that is not toleranced in the job."""
    spec = stores().jobs.get(claim.job_id).spec
    known = {one.name for one in spec.tolerances} | {one.name for one in spec.open_tolerances}
    allowed = ", ".join(sorted(known)) or None
    problems = tuple(
        FieldProblem(f"/sizes/{i}/name", "the job has no toleranced size of this name", allowed)
        for i, one in enumerate(body.sizes)
        if one.name not in known
    )
    if problems:
        raise InvalidError(problems[0].detail, fields=problems)


def claim_body(claim: Claim) -> dict[str, Any]:
    body: dict[str, Any] = plain(claim)
    return body
