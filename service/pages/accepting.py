"""Keeping what a form hands in: the same form sent twice is one job, a form changed in between is another."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Mapping
from typing import Any

from service.api.intake import job_ids, ring
from service.context import stores
from workers.model.codec import to_json
from workers.model.errors import BorewrightError, InProgressError
from workers.model.job import JobSpec
from workers.store.idempotency import Answer, Reservation

FORM_SCOPE = "form /hand-in"
FIRST_CLICK_S = 3.0  # how long the second click of a double click waits for the first


def accept_once(spec: JobSpec, once: str, body: Mapping[str, Any]) -> str:
    """Keep and queue the job; gives its id. ``once``: what the form was given when it was shown."""
    payload = to_json(body)
    key = f"{once[:80]}.{hashlib.sha256(payload).hexdigest()}"
    turn = _begin(key, payload)
    if isinstance(turn, Answer):
        return turn.location or ""
    [job_id] = job_ids(1)
    try:
        _accept(spec, job_id, turn)
    except BorewrightError:
        stores().idempotency.abandon(turn)
        raise
    ring()
    return job_id


def _begin(key: str, payload: bytes) -> Reservation | Answer:
    """The right to carry the form out, or the answer of the first time, waited for while that still runs."""
    deadline = time.monotonic() + FIRST_CLICK_S
    while True:
        try:
            return stores().idempotency.begin(FORM_SCOPE, key, payload)
        except InProgressError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.05)


def _accept(spec: JobSpec, job_id: str, turn: Reservation) -> None:
    answer = Answer(status=303, body="", location=job_id)
    stores().jobs.hand_in([spec], [job_id], also=lambda pipe, _states: turn.finish(pipe, answer))
