"""Links to one job's result in Redis. Their secrets are kept as digests only, as those of access keys."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import redis
from redis.client import Pipeline

from workers.model.access import AccessKey
from workers.model.codec import from_json, to_json
from workers.model.errors import ConflictError, NotFoundError
from workers.model.share import Share
from workers.store.keys import Keys

MOST = 20  # good links of one job
_SECRET = re.compile(r"[A-Za-z0-9_-]{43}")


class ShareRepository:
    """``clock`` gives UTC epoch seconds."""

    def __init__(self, client: redis.Redis, keys: Keys, clock: Callable[[], float] = time.time) -> None:
        self._redis, self._keys, self._clock = client, keys, clock

    def create(self, share_id: str, job_id: str, key: AccessKey, good_for_s: float) -> tuple[Share, str]:
        """A new link and its secret, which is known here and now and never again. Raises ConflictError past MOST.

        It ends with ``key`` at the latest. Links of the job that have ended are forgotten.
        """
        secret, now = secrets.token_urlsafe(32), self._clock()
        ends = now + good_for_s if key.expires_at is None else min(now + good_for_s, key.expires_at)
        share = Share(
            id=share_id,
            job_id=job_id,
            digest=_digest(secret),
            key_id=key.id,
            key_name=key.name,
            created_at=now,
            expires_at=ends,
        )
        self._change(job_id, lambda pipe, known: self._add(pipe, known, share))
        return share, secret

    def of(self, job_id: str) -> list[Share]:
        """The good links of a job, oldest first."""
        return [one for one in self._all(self._redis, job_id) if one.is_good(self._clock())]

    def find(self, job_id: str, share_id: str, secret: str) -> Share | None:
        """The good link whose secret this is."""
        raw: Any = self._redis.hget(self._keys.shares(job_id), share_id) if _SECRET.fullmatch(secret) else None
        share = None if raw is None else from_json(raw, Share)
        if share is None or not hmac.compare_digest(share.digest, _digest(secret)):
            return None
        return share if share.is_good(self._clock()) else None

    def revoke(self, job_id: str, share_id: str) -> Share:
        """End a link. Raises NotFoundError, ConflictError where it has ended."""
        return self._change(job_id, lambda pipe, known: self._end(pipe, known, share_id))

    def _add(self, pipe: Pipeline, known: list[Share], share: Share) -> Share:
        over = [one.id for one in known if not one.is_good(share.created_at)]
        if len(known) - len(over) >= MOST:
            raise ConflictError(f"the job has {MOST} links that are good: revoke one first")
        pipe.multi()
        if over:
            pipe.hdel(self._keys.shares(share.job_id), *over)
        pipe.hset(self._keys.shares(share.job_id), share.id, to_json(share))
        return share

    def _end(self, pipe: Pipeline, known: list[Share], share_id: str) -> Share:
        share = next((one for one in known if one.id == share_id), None)
        if share is None:
            raise NotFoundError("the job has no such link")
        if not share.is_good(self._clock()):
            raise ConflictError("the link has ended already")
        ended = replace(share, revoked_at=self._clock())
        pipe.multi()
        pipe.hset(self._keys.shares(share.job_id), share_id, to_json(ended))
        return ended

    def _change(self, job_id: str, change: Callable[[Pipeline, list[Share]], Share]) -> Share:
        with self._redis.pipeline(transaction=True) as pipe:
            while True:
                try:
                    pipe.watch(self._keys.shares(job_id))  # type: ignore[no-untyped-call]
                    made = change(pipe, self._all(pipe, job_id))
                    pipe.execute()
                except redis.WatchError:
                    continue
                return made

    def _all(self, client: redis.Redis, job_id: str) -> list[Share]:
        rows: Any = client.hvals(self._keys.shares(job_id))
        return sorted((from_json(raw, Share) for raw in rows), key=lambda one: one.id)


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
