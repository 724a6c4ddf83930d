"""Idempotency-Key records (IETF draft): the same request twice is carried out once.

begin() reserves the key; the creating repository writes the finished answer in the *same* MULTI as the thing
itself (``Reservation.finish``), so a crash leaves either both or neither.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import cast

import redis
from redis.client import Pipeline

from workers.model.codec import from_json, to_json
from workers.model.errors import IdempotencyKeyReusedError, InProgressError
from workers.store.keys import Keys

KEPT_S = 24 * 3600
IN_FLIGHT_S = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What was answered the first time. body is JSON text."""

    status: int
    body: str
    location: str | None = None
    etag: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Record:
    fingerprint: str
    answer: Answer | None = None


@dataclass(frozen=True, slots=True)
class Reservation:
    """The right to carry the request out."""

    redis_key: str
    fingerprint: str

    def finish(self, pipe: Pipeline, answer: Answer) -> None:
        """Queue the finished answer inside the caller's MULTI."""
        pipe.set(self.redis_key, to_json(_Record(fingerprint=self.fingerprint, answer=answer)), ex=KEPT_S)


class IdempotencyStore:
    def __init__(self, client: redis.Redis, keys: Keys) -> None:
        self._redis, self._keys = client, keys

    def begin(self, scope: str, key: str, payload: bytes) -> Reservation | Answer:
        """Reserve ``key`` within ``scope`` (the route), or give the answer of the first time.

        Raises IdempotencyKeyReusedError for another payload, InProgressError while the first still runs.
        """
        fingerprint = hashlib.sha256(payload).hexdigest()
        name = self._keys.idempotency(scope, hashlib.sha256(key.encode()).hexdigest())
        raw = None
        while raw is None:  # it may lapse between the two commands
            if self._redis.set(name, to_json(_Record(fingerprint=fingerprint)), nx=True, ex=IN_FLIGHT_S):
                return Reservation(name, fingerprint)
            raw = self._redis.get(name)
        record = from_json(cast(bytes, raw), _Record)
        if record.fingerprint != fingerprint:
            raise IdempotencyKeyReusedError("the key was used before with a different request body")
        if record.answer is None:
            raise InProgressError("the first request with this key has not been answered yet; try again later")
        return record.answer

    def abandon(self, reservation: Reservation) -> None:
        """Free the key after a refusal, so that a corrected request may use it."""
        self._redis.delete(reservation.redis_key)
