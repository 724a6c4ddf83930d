"""Keeping what a form hands in: the same form sent twice is one thing, a form changed in between is another."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Mapping
from typing import Any

from redis.client import Pipeline

from service.api.intake import job_ids, ring
from service.context import stores
from workers.model.codec import to_json
from workers.model.errors import BorewrightError, InProgressError
from workers.model.job import JobSpec
from workers.store.idempotency import Answer, Reservation

FORM_SCOPE = "form /hand-in"
FIRST_CLICK_S = 3.0  # how long the second click of a double click waits for the first

Also = Callable[[Pipeline], None]


def accept_once(spec: JobSpec, once: str, body: Mapping[str, Any]) -> str:
    """Keep and queue the job; gives its id. ``once``: what the form was given when it was shown."""

    def accept(job_id: str, also: Also) -> None:
        stores().jobs.hand_in([spec], [job_id], also=lambda pipe, _states: also(pipe))
        ring()

    return made_once(FORM_SCOPE, once, body, job_ids(1)[0], accept)


def made_once(scope: str, once: str, body: Mapping[str, Any], new_id: str, make: Callable[[str, Also], None]) -> str:
    """Make what the form asks for, with ``also`` in the same MULTI, or find what it made before; gives its id."""
    payload = to_json(body)
    key = f"{once[:80]}.{hashlib.sha256(payload).hexdigest()}"
    turn = _begin(scope, key, payload)
    if isinstance(turn, Answer):
        return turn.location or ""
    answer = Answer(status=303, body="", location=new_id)
    try:
        make(new_id, lambda pipe: turn.finish(pipe, answer))
    except BorewrightError:
        stores().idempotency.abandon(turn)
        raise
    return new_id


def _begin(scope: str, key: str, payload: bytes) -> Reservation | Answer:
    """The right to carry the form out, or the answer of the first time, waited for while that still runs."""
    deadline = time.monotonic() + FIRST_CLICK_S
    while True:
        try:
            return stores().idempotency.begin(scope, key, payload)
        except InProgressError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.05)
