"""Event streams: how many one process holds open, on connections of their own, and what they send."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from threading import BoundedSemaphore
from typing import Any

import redis

from service.api.moments import with_moments
from service.settings import Settings
from workers.model.codec import to_json, to_plain
from workers.model.errors import UnavailableError
from workers.model.record import Event
from workers.store.connection import connect
from workers.store.events import EventLog
from workers.store.keys import Keys

BLOCK_MS = 1000  # a closed reader is noticed at a line; shorter than the socket's timeout
KEEP_ALIVE_S = 1.5  # a reader that has gone on to another page is noticed, and its place free, within some 3 s
LIFETIME_S = 900.0  # then the reader comes again by itself, so that processes can be replaced
RETRY_MS = 1000
BATCH = 500
THREADS_LEFT = 4  # threads that event streams never take from other requests


class EventStreams:
    """The streams of one process. Raises UnavailableError past their number."""

    def __init__(self, settings: Settings, url: str) -> None:
        self.most = max(1, min(settings.event_streams, settings.api_threads - THREADS_LEFT))
        self._room = BoundedSemaphore(self.most)
        self._log = EventLog(connect(url), Keys(settings.shop))  # blocking reads must not hold up other requests

    def open(self, last_id: str | None) -> tuple[Iterator[bytes], Callable[[], None]]:
        """The lines behind ``last_id`` (None: from now on), and what to call when the stream is closed."""
        if not self._room.acquire(blocking=False):
            raise UnavailableError(f"{self.most} event streams are open, the limit; come back or read pages")
        try:
            first = self._log.last_id() if last_id is None else last_id
            missed = last_id is not None and self._log.has_gap(last_id)
        except redis.RedisError:
            self._room.release()
            raise
        return lines(self._log, first, missed), _once(self._room.release)


def lines(
    log: EventLog, last_id: str, missed: bool = False, clock: Callable[[], float] = time.monotonic
) -> Iterator[bytes]:
    """Server-sent events (WHATWG HTML 9.2) behind ``last_id``, until the stream's life or the store ends."""
    yield f"retry: {RETRY_MS}\n\n".encode()
    if missed:
        yield b'event: gap\ndata: {"detail":"events that came behind the id you gave are no longer kept"}\n\n'
    end, told = clock() + LIFETIME_S, clock()
    while clock() < end:
        try:
            events = log.wait(last_id, BLOCK_MS, BATCH)
        except redis.RedisError:
            return  # the reader comes again with the id that it has
        if events:
            yield b"".join(map(line_of, events))
            last_id, told = events[-1].id, clock()
        elif clock() - told >= KEEP_ALIVE_S:
            yield b": nothing new\n\n"
            told = clock()


def line_of(event: Event) -> bytes:
    """One event. Its JSON holds no line end, so one data line carries it."""
    return b"id: %s\ndata: %s\n\n" % (event.id.encode(), to_json(event_body(event)))


def event_body(event: Event) -> dict[str, Any]:
    body: dict[str, Any] = with_moments(to_plain(event))
    return body


def _once(release: Callable[[], None]) -> Callable[[], None]:
    released = False

    def call() -> None:
        nonlocal released
        if not released:
            released = True
            release()

    return call
