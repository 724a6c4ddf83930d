"""Idempotency-Key on requests that create (IETF draft-ietf-httpapi-idempotency-key-header).

Honoured, not required: without the header a request is simply carried out.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from flask import Response, request
from redis.client import Pipeline

from service.access import caller
from service.api.answers import answer
from service.api.body import raw_json
from service.context import stores
from service.problems import MalformedError
from workers.model.errors import BorewrightError
from workers.store.idempotency import Answer, Reservation

_QUOTED = re.compile(r'"((?:[\x20\x21\x23-\x5b\x5d-\x7e]|\\["\\])*)"')  # RFC 9651 section 3.3.3
_BARE = re.compile(r"[\x21\x23-\x7e][\x21-\x7e]*")
LONGEST = 255


@dataclass(frozen=True, slots=True)
class Turn:
    """One request's turn: ``replay`` is the answer of the first time; ``also`` keeps the answer of this one."""

    reservation: Reservation | None = None
    replay: Response | None = None

    def also(self, finished: Answer) -> Callable[[Pipeline], None]:
        """For the store's MULTI."""
        reservation = self.reservation
        return lambda pipe: reservation.finish(pipe, finished) if reservation is not None else None


@contextmanager
def turn(scope: str, payload: bytes | None = None) -> Iterator[Turn]:
    """``payload``: what makes two requests the same one; None: the JSON body.

    Raises MalformedError, IdempotencyKeyReusedError, InProgressError.

    A refusal frees the key. A failure of the store does not: whether the write was carried out is not known
    then, and freeing the key could carry it out twice.
    """
    key = idempotency_key()
    if key is None:
        yield Turn()
        return
    found = stores().idempotency.begin(_of_caller(scope), key, raw_json() if payload is None else payload)
    if isinstance(found, Answer):
        yield Turn(replay=answer_again(found))
        return
    try:
        yield Turn(found)
    except BorewrightError:
        stores().idempotency.abandon(found)
        raise


def _of_caller(scope: str) -> str:
    """The keys of one caller are no other's: what was answered to one is not shown to another."""
    known = caller()
    return scope if known is None else f"{scope} {known.id}"


def answer_again(kept: Answer) -> Response:
    return answer(kept.body, kept.status, location=kept.location, etag=kept.etag)


def idempotency_key() -> str | None:
    """The key, without its quotes. Raises MalformedError."""
    header = request.headers.get("Idempotency-Key")
    if header is None:
        return None
    text = header.strip()
    if len(text) <= LONGEST + 2:
        if quoted := _QUOTED.fullmatch(text):
            text = re.sub(r"\\(.)", r"\1", quoted[1])
            if text:
                return text
        elif _BARE.fullmatch(text) and len(text) <= LONGEST:
            return text
    raise MalformedError(f"Idempotency-Key is a quoted string or token of 1 to {LONGEST} printable characters")
