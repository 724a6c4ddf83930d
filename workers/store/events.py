"""The one stream of changes, and the history of each thing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import msgspec
import redis
from redis.client import Pipeline

from workers.model.codec import to_json
from workers.model.record import Event, HistoryEntry
from workers.store.keys import Keys

EVENTS_KEPT = 200_000


def add_event(
    pipe: Pipeline, keys: Keys, kind: str, subject: str, at: float, data: Mapping[str, Any] | None = None
) -> None:
    """Queue one event and its line in the subject's history, inside the caller's MULTI."""
    body = to_json(data or {})
    pipe.xadd(
        keys.events,
        {"at": repr(at), "kind": kind, "subject": subject, "data": body},
        maxlen=EVENTS_KEPT,
        approximate=True,
    )
    add_to_history(pipe, keys, subject, kind, at, data)


def add_to_history(
    pipe: Pipeline, keys: Keys, subject: str, kind: str, at: float, data: Mapping[str, Any] | None = None
) -> None:
    """Queue one line of a history, without an event of its own."""
    pipe.rpush(keys.history(subject), to_json({"at": at, "kind": kind, "data": data or {}}))


class EventLog:
    """Reads the stream and the histories. Writing goes through :func:`add_event` only."""

    def __init__(self, client: redis.Redis, keys: Keys) -> None:
        self._redis, self._keys = client, keys

    def after(self, event_id: str, count: int = 100) -> list[Event]:
        """Up to ``count`` events behind ``event_id`` ("0" for the first)."""
        rows: Any = self._redis.xrange(self._keys.events, min=f"({event_id}", count=count)
        return [_event(row_id, fields) for row_id, fields in rows]

    def wait(self, event_id: str, block_ms: int, count: int = 100) -> list[Event]:
        """Like :meth:`after`, waiting up to ``block_ms`` (below the socket timeout) for the first one."""
        answer: Any = self._redis.xread({self._keys.events: event_id}, count=count, block=block_ms)
        return [_event(row_id, fields) for _, rows in answer or [] for row_id, fields in rows]

    def newest(self, count: int) -> list[Event]:
        """The newest ``count`` events, the last one first."""
        rows: Any = self._redis.xrevrange(self._keys.events, count=count)
        return [_event(row_id, fields) for row_id, fields in rows]

    def last_id(self) -> str:
        rows: Any = self._redis.xrevrange(self._keys.events, count=1)
        return rows[0][0].decode() if rows else "0-0"

    def has_gap(self, event_id: str) -> bool:
        """Whether events behind ``event_id`` may have been dropped: it is older than the oldest that is kept."""
        rows: Any = self._redis.xrange(self._keys.events, count=1)
        if not rows or _position(event_id) >= _position(rows[0][0].decode()):
            return False
        return int(self._redis.xlen(self._keys.events)) >= EVENTS_KEPT

    def history(self, subject: str, limit: int = 1000) -> tuple[HistoryEntry, ...]:
        """The newest ``limit`` lines about one thing, oldest first."""
        rows: Any = self._redis.lrange(self._keys.history(subject), -limit, -1)
        return tuple(msgspec.json.decode(row, type=HistoryEntry) for row in rows)

    def history_newest_first(self, subject: str, chunk: int = 500) -> Iterator[HistoryEntry]:
        """All lines about one thing, read ``chunk`` by ``chunk``, from the last to the first."""
        name = self._keys.history(subject)
        end = int(self._redis.llen(name))
        while end > 0:
            rows: Any = self._redis.lrange(name, max(end - chunk, 0), end - 1)
            yield from (msgspec.json.decode(row, type=HistoryEntry) for row in reversed(rows))
            end -= chunk


def _position(event_id: str) -> tuple[int, int]:
    millis, _, serial = event_id.partition("-")
    return int(millis), int(serial or 0)


def _event(row_id: bytes, fields: Mapping[bytes, bytes]) -> Event:
    return Event(
        id=row_id.decode(),
        at=float(fields[b"at"]),
        kind=fields[b"kind"].decode(),
        subject=fields[b"subject"].decode(),
        data=msgspec.json.decode(fields[b"data"]),
    )
