"""Webhooks: who is told of events, and the signature that proves who told (Standard Webhooks 1.0)."""

from __future__ import annotations

import base64
import hashlib
import hmac
from dataclasses import dataclass

SECRET_PREFIX = "whsec_"  # nosec B105  # what a secret begins with
SECRET_BYTES = 24  # the standard asks for 24 to 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Webhook:
    """kinds: beginnings of event kinds (``job.``, ``machine.down``); empty: every event. active: False after a 410."""

    id: str
    url: str
    secret: str
    created_at: float
    kinds: tuple[str, ...] = ()
    active: bool = True

    def wants(self, kind: str) -> bool:
        return not self.kinds or kind.startswith(self.kinds)


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """Where a webhook stands. cursor: the last event that is done with; attempt: failures of the next one so far."""

    cursor: str
    attempt: int = 0
    due_at: float = 0.0
    last_error: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadLetter:
    """An event that was given up on."""

    event_id: str
    kind: str
    at: float
    attempts: int
    error: str


def new_secret(random_bytes: bytes) -> str:
    return SECRET_PREFIX + base64.b64encode(random_bytes).decode()


def signature(secret: str, message_id: str, timestamp: int, body: bytes) -> str:
    """``v1,`` and the base64 HMAC-SHA256 of ``id.timestamp.body``."""
    key = base64.b64decode(secret.removeprefix(SECRET_PREFIX))
    signed = f"{message_id}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
