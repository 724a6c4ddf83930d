"""Access keys, signed-in browsers and the trail in Redis. Secrets are kept as digests only.

A secret is 256 random bits, so a plain SHA-256 withstands guessing: slow hashes are for what people think up.
"""

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

from workers.model.access import AccessKey, Asked, Scope
from workers.model.codec import from_json, to_json
from workers.model.errors import ConflictError, NotFoundError, VersionMismatchError
from workers.store.events import add_event
from workers.store.keys import Keys

TRAIL_KEPT = 100_000
SESSION_S = 12 * 3600  # a working day and its overtime (engineering prior)
_TEXT = re.compile(r"bwk_([0-9a-hjkmnp-tv-z]{26})_([A-Za-z0-9_-]{43})")
_TOKEN = re.compile(r"[A-Za-z0-9_-]{43}")

Also = Callable[[Pipeline], None]


class AccessRepository:
    """``clock`` gives UTC epoch seconds."""

    def __init__(self, client: redis.Redis, keys: Keys, clock: Callable[[], float] = time.time) -> None:
        self._redis, self._keys, self._clock = client, keys, clock

    def create(
        self,
        key_id: str,
        name: str,
        scopes: tuple[Scope, ...],
        expires_at: float | None = None,
        also: Callable[[Pipeline, AccessKey, str], None] = lambda *_: None,
    ) -> tuple[AccessKey, str]:
        """A new key and its text, which is known here and now and never again."""
        secret, now = secrets.token_urlsafe(32), self._clock()
        key = AccessKey(
            id=key_id, name=name, scopes=scopes, digest=_digest(secret), created_at=now, expires_at=expires_at
        )
        text = f"bwk_{key_id}_{secret}"
        with self._redis.pipeline(transaction=True) as pipe:
            pipe.hset(self._keys.access_keys, key_id, to_json(key))
            add_event(pipe, self._keys, "access-key.created", f"access-key/{key_id}", now, {"name": name})
            also(pipe, key, text)
            pipe.execute()
        return key, text

    def all(self) -> list[AccessKey]:
        """Oldest first."""
        rows: Any = self._redis.hvals(self._keys.access_keys)
        return sorted((from_json(raw, AccessKey) for raw in rows), key=lambda one: one.id)

    def get(self, key_id: str) -> AccessKey:
        """Raises NotFoundError."""
        found = self._find(key_id)
        if found is None:
            raise NotFoundError(f"no access key has the id {key_id!r}")
        return found

    def revoke(self, key_id: str, version: int | None) -> AccessKey:
        """End a key and every browser signed in with it. Raises NotFoundError, VersionMismatchError, ConflictError."""
        with self._redis.pipeline(transaction=True) as pipe:
            while True:
                try:
                    return self._revoke(pipe, key_id, version)
                except redis.WatchError:
                    continue

    def _revoke(self, pipe: Pipeline, key_id: str, version: int | None) -> AccessKey:
        pipe.watch(self._keys.access_keys)  # type: ignore[no-untyped-call]
        key = self.get(key_id)
        if version is not None and version != key.version:
            raise VersionMismatchError(f"the key is at version {key.version}, not {version}")
        if key.revoked_at is not None:
            raise ConflictError("the key is revoked already")
        now = self._clock()
        revoked = replace(key, revoked_at=now, version=key.version + 1)
        pipe.multi()
        pipe.hset(self._keys.access_keys, key_id, to_json(revoked))
        add_event(pipe, self._keys, "access-key.revoked", f"access-key/{key_id}", now, {"name": key.name})
        pipe.execute()
        return revoked

    def of_text(self, text: str) -> AccessKey | None:
        """The good key whose text this is."""
        parts = _TEXT.fullmatch(text)
        key = self._find(parts.group(1)) if parts is not None else None
        if parts is None or key is None or not hmac.compare_digest(key.digest, _digest(parts.group(2))):
            return None
        return key if key.is_good(self._clock()) else None

    def sign_in(self, key: AccessKey) -> str:
        """A token for one browser, good for SESSION_S or as long as the key."""
        token, left = secrets.token_urlsafe(32), float(SESSION_S)
        if key.expires_at is not None:
            left = min(left, key.expires_at - self._clock())
        self._redis.set(self._keys.session(_digest(token)), key.id, px=max(int(left * 1000), 1))
        return token

    def of_session(self, token: str) -> AccessKey | None:
        """The good key with which the browser signed in."""
        if not _TOKEN.fullmatch(token):
            return None
        raw: Any = self._redis.get(self._keys.session(_digest(token)))
        key = self._find(raw.decode()) if raw is not None else None
        return key if key is not None and key.is_good(self._clock()) else None

    def sign_out(self, token: str) -> None:
        self._redis.delete(self._keys.session(_digest(token)))

    def note(self, key: AccessKey | None, method: str, path: str, status: int, address: str) -> None:
        """One more line of the trail."""
        fields: dict[Any, Any] = {
            "at": repr(self._clock()),
            "key": key.id if key is not None else "",
            "name": key.name if key is not None else "",
            "method": method,
            "path": path,
            "status": status,
            "address": address,
        }
        self._redis.xadd(self._keys.trail, fields, maxlen=TRAIL_KEPT, approximate=True)

    def trail(self, before: str | None = None, limit: int = 50) -> tuple[list[Asked], bool]:
        """The newest lines (older than the id ``before``), newest first; and whether there are more."""
        newest = "+" if before is None else f"({before}"
        rows: Any = self._redis.xrevrange(self._keys.trail, max=newest, count=limit + 1)
        return [_asked(row_id, fields) for row_id, fields in rows[:limit]], len(rows) > limit

    def _find(self, key_id: str) -> AccessKey | None:
        raw: Any = self._redis.hget(self._keys.access_keys, key_id)
        return from_json(raw, AccessKey) if raw is not None else None


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _asked(row_id: bytes, raw: dict[bytes, bytes]) -> Asked:
    fields = {name.decode(): value.decode() for name, value in raw.items()}
    return Asked(
        id=row_id.decode(),
        at=float(fields["at"]),
        key_id=fields["key"] or None,
        key_name=fields["name"],
        method=fields["method"],
        path=fields["path"],
        status=int(fields["status"]),
        address=fields["address"],
    )
