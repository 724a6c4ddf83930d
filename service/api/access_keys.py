"""/v1/access-keys: who may call, and for what."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

import marshmallow as ma
from flask import Response

from service.api.answers import answer, plain, versioned
from service.api.blueprint import ETAG, IF_MATCH, LOCATION, ResourceBlueprint
from service.api.etags import expected_version
from service.api.fields import Choice, ListOf, Moment, Text
from service.api.schema import RecordSchema
from service.api.things import new_id
from service.context import stores
from workers.model.access import AccessKey, Scope
from workers.model.codec import to_json
from workers.model.errors import FieldProblem

PATH = "/v1/access-keys"
EXAMPLE: dict[str, Any] = {
    "name": "bench by the window",
    "scopes": ["read", "operate"],
    "expires_at": "2100-01-01T00:00:00Z",
}

blueprint = ResourceBlueprint(
    "access-keys",
    __name__,
    url_prefix=PATH,
    description="Access keys: sent as Authorization: Bearer KEY, asked for where the service is set to access keys. "
    "Scopes: read (see everything but keys, webhooks and the trail), hand-in (parts and jobs), operate (mount, load, "
    "claim, move, measure), administer (what the shop is made of, and who gets in); none contains another. A key's "
    "text is in the answer that creates it and never again; kept is its digest.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessKeyBody:
    name: str
    scopes: tuple[Scope, ...]
    expires_at: float | None = None


class AccessKeyBodySchema(RecordSchema):
    makes = AccessKeyBody
    name = Text(80, description="Who or what carries it", example="bench by the window")
    scopes = ListOf(Choice(Scope), least=1, most=len(Scope), description="What it may do")
    expires_at = Moment(description="From when it is good no longer; null: until revoked")

    def rules(self, record: Any) -> list[FieldProblem]:
        problems = []
        if len(set(record.scopes)) < len(record.scopes):
            problems.append(FieldProblem("/scopes", "a scope stands twice", "each once"))
        if record.expires_at is not None and record.expires_at <= time.time():
            problems.append(FieldProblem("/expires_at", "this moment is past", "a moment to come"))
        return problems


class AccessKeySchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    id = ma.fields.String(required=True)
    name = ma.fields.String(required=True)
    scopes = ma.fields.List(ma.fields.Enum(Scope, by_value=True), required=True)
    created_at = Moment(required=True)
    expires_at = Moment(required=True, allow_none=True)
    revoked_at = Moment(required=True, allow_none=True)
    version = ma.fields.Integer(required=True)


class NewAccessKeySchema(AccessKeySchema):
    key = ma.fields.String(required=True, metadata={"description": "Shown this once"})


class AccessKeysSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    items = ma.fields.List(ma.fields.Nested(AccessKeySchema), required=True)


@blueprint.at("", "POST", summary="Make an access key", operation="create-access-key")
@blueprint.takes(AccessKeyBodySchema, example=EXAMPLE)
@blueprint.gives(201, NewAccessKeySchema, headers=LOCATION | ETAG)
def create_access_key(body: AccessKeyBody) -> Response:
    """No Idempotency-Key: the answer holds a secret, and answers that can be replayed are kept."""
    key, text = stores().access.create(new_id(), body.name, body.scopes, body.expires_at)
    shown = _body(key)
    response = answer(to_json({**shown, "key": text}), 201, location=f"{PATH}/{key.id}", etag=f'"{key.version}"')
    response.headers["Cache-Control"] = "no-store"
    return response


@blueprint.at("", summary="All access keys, oldest first", operation="list-access-keys")
@blueprint.gives(200, AccessKeysSchema)
def list_access_keys() -> Response:
    return answer(to_json({"items": [_body(key) for key in stores().access.all()]}))


@blueprint.at("/<key_id>", summary="One access key", operation="get-access-key")
@blueprint.gives(200, AccessKeySchema, headers=ETAG)
@blueprint.refuses(404)
def get_access_key(key_id: str) -> Response:
    return versioned(_body(stores().access.get(key_id)))


@blueprint.at("/<key_id>", "DELETE", summary="Revoke an access key", operation="revoke-access-key")
@blueprint.headers(IF_MATCH)
@blueprint.gives(200, AccessKeySchema, headers=ETAG)
@blueprint.refuses(404, 409, 412, 428)
def revoke_access_key(key_id: str) -> Response:
    """It stays in the list, so that the trail can name it. Browsers signed in with it are out at once."""
    stores().access.get(key_id)
    expected = expected_version()
    current = stores().access.get(key_id)
    expected.require(current.version)
    return versioned(_body(stores().access.revoke(key_id, current.version)))


def _body(key: AccessKey) -> dict[str, Any]:
    body: dict[str, Any] = plain(key)
    body.pop("digest")
    return body
