"""/v1/webhooks: other software is told of events by signed calls (Standard Webhooks)."""

from __future__ import annotations

import secrets
import time
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import marshmallow as ma
from flask import Response

from service.api.answers import answer, empty, plain
from service.api.blueprint import IDEMPOTENCY_KEY, LOCATION, ResourceBlueprint
from service.api.described import schema_of
from service.api.fields import ListOf, Moment, Text
from service.api.idempotency import turn
from service.api.schema import RecordSchema
from service.api.things import new_id
from service.context import context, stores
from workers.model.codec import to_json
from workers.model.errors import FieldProblem
from workers.model.webhook import SECRET_BYTES, DeadLetter, Webhook, new_secret
from workers.store.idempotency import Answer
from workers.tasks.postman import is_public

PATH = "/v1/webhooks"
URL_PATTERN = r"^https?://[\x21-\x7e]+$"
KIND_PATTERN = r"^[a-z-]+\.([a-z-]+)?$"

blueprint = ResourceBlueprint(
    "webhooks",
    __name__,
    url_prefix=PATH,
    description="Webhooks: every event that is wanted is posted once it has happened, in order, signed as Standard "
    "Webhooks 1.0 has it (webhook-id, webhook-timestamp, webhook-signature). An answer other than 2xx is tried again "
    "with growing pauses for about a day, then kept as a dead letter. The same webhook-id may come twice: it is the "
    "event's. Redirects are not followed, and private addresses are not called unless the service is set to.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WebhookBody:
    url: str
    kinds: tuple[str, ...] = ()


class WebhookBodySchema(RecordSchema):
    makes = WebhookBody
    url = Text(2000, URL_PATTERN, "an http or https address", example="https://shop.example/borewright")
    kinds = ListOf(
        Text(60, KIND_PATTERN, "the beginning of an event's kind, as job. or machine.down"),
        most=50,
        description="Beginnings of the kinds that are wanted; none: every event",
        example=["job."],
    )

    def rules(self, record: Any) -> list[FieldProblem]:
        problem = url_problem(record.url, private=bool(context().settings.webhook_private_addresses))
        return [] if problem is None else [FieldProblem("/url", problem)]


def url_problem(url: str, *, private: bool) -> str | None:
    """What stands against an address that can be seen without looking it up; the rest is checked at each call."""
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname, parts.port
    except ValueError as error:
        return f"this is no address: {error}"
    if not host:
        return "the address names no host"
    if parts.username is not None or parts.password is not None or parts.fragment:
        return "the address must carry no user, password or fragment"
    if not private and (host == "localhost" or host.endswith(".localhost") or _is_private(host)):
        return "this address is not public, and the service is not set to call such"
    return None


def _is_private(host: str) -> bool:
    try:
        return not is_public(host)
    except ValueError:
        return False


class WebhookSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    id = ma.fields.String(required=True)
    url = ma.fields.String(required=True)
    kinds = ma.fields.List(ma.fields.String(), required=True)
    active = ma.fields.Boolean(required=True, metadata={"description": "false after the address answered 410"})
    created_at = Moment(required=True)
    told_up_to = ma.fields.String(required=True, metadata={"description": "Id of the last event that is done with"})
    failures = ma.fields.Integer(required=True, metadata={"description": "Of the event that is due, so far"})
    next_try_at = Moment(required=True, allow_none=True)
    last_error = ma.fields.String(required=True)


class NewWebhookSchema(WebhookSchema):
    secret = ma.fields.String(required=True, metadata={"description": "Shown this once: keep it to verify signatures"})


class WebhooksSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    items = ma.fields.List(ma.fields.Nested(WebhookSchema), required=True)


class DeadLettersSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    items = ma.fields.List(ma.fields.Nested(schema_of(DeadLetter)), required=True)


@blueprint.at("", "POST", summary="Add a webhook", operation="create-webhook")
@blueprint.headers(IDEMPOTENCY_KEY)
@blueprint.takes(WebhookBodySchema, example={"url": "https://shop.example/borewright", "kinds": ["job."]})
@blueprint.gives(201, NewWebhookSchema, headers=LOCATION)
@blueprint.refuses(409)
def post_webhook(body: WebhookBody) -> Response:
    with turn(f"POST {PATH}") as mine:
        if mine.replay is not None:
            return mine.replay
        hook = Webhook(
            id=new_id(),
            url=body.url,
            kinds=body.kinds,
            secret=new_secret(secrets.token_bytes(SECRET_BYTES)),
            created_at=time.time(),
        )
        cursor = stores().events.last_id()
        made = to_json({**_body(hook, cursor), "secret": hook.secret})
        location = f"{PATH}/{hook.id}"
        finished = Answer(status=201, body=made.decode(), location=location)
        stores().webhooks.create(hook, cursor, also=mine.also(finished))
        return answer(made, 201, location=location)


@blueprint.at("", summary="All webhooks and how far each has been told", operation="list-webhooks")
@blueprint.gives(200, WebhooksSchema)
def list_webhooks() -> Response:
    return answer(to_json({"items": [_body(hook) for hook in stores().webhooks.all()]}))


@blueprint.at("/<webhook_id>", summary="One webhook", operation="get-webhook")
@blueprint.gives(200, WebhookSchema)
@blueprint.refuses(404)
def get_webhook(webhook_id: str) -> Response:
    return answer(to_json(_body(stores().webhooks.get(webhook_id))))


@blueprint.at("/<webhook_id>", "DELETE", summary="Delete a webhook", operation="delete-webhook")
@blueprint.gives(204)
@blueprint.refuses(404)
def delete_webhook(webhook_id: str) -> Response:
    stores().webhooks.delete(webhook_id)
    return empty()


@blueprint.at("/<webhook_id>/dead-letters", summary="What was given up on, newest first", operation="list-dead-letters")
@blueprint.gives(200, DeadLettersSchema)
@blueprint.refuses(404)
def get_dead_letters(webhook_id: str) -> Response:
    stores().webhooks.get(webhook_id)
    return answer(to_json({"items": [plain(one) for one in stores().webhooks.dead_letters(webhook_id)]}))


def _body(hook: Webhook, cursor: str | None = None) -> dict[str, Any]:
    """A webhook as it is shown: without its secret, with where it stands."""
    delivery = stores().webhooks.delivery(hook.id)
    body: dict[str, Any] = plain(hook)
    body.pop("secret")
    next_try = plain({"next_try_at": delivery.due_at if delivery.attempt else None})
    return {
        **body,
        "told_up_to": delivery.cursor if cursor is None else cursor,
        "failures": delivery.attempt,
        **next_try,
        "last_error": delivery.last_error,
    }
