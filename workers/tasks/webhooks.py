"""Webhooks are told of events, each in order: tried again with growing pauses, then given up on and kept as dead.

Each webhook has a lock and a thread of its own for a round, so a slow one holds up nobody else.
"""

from __future__ import annotations

import logging
import random
import secrets
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

import redis

from workers.model.codec import to_json, to_plain
from workers.model.errors import NotFoundError
from workers.model.record import Event
from workers.model.webhook import DeadLetter, Delivery, Webhook, signature
from workers.store.stores import Stores
from workers.tasks.postman import GONE, Posted, post

log = logging.getLogger("borewright.tasks")

# Seconds until the next try after each failure, then it is given up on. Engineering prior: about a day in all.
PAUSES_S = (5, 30, 120, 600, 1800, 3600, 4 * 3600, 12 * 3600)
EVENTS_A_ROUND = 100
AT_ONCE = 8  # webhooks told at the same time by one process, and never one twice
LOCK_MS = 30_000  # longer than one delivery may take; renewed before each
ROUND_S = 2.0  # after so long the watch goes on without those that are still at it
TURN_S = 10.0  # after so long a slow webhook leaves its thread to another

Send = Callable[[str, bytes, dict[str, str]], Posted]
_slots = threading.BoundedSemaphore(AT_ONCE)


def watch_webhooks(stores: Stores, *, private: bool = False) -> bool:
    """Deliver what is due; for the watch. Gives whether anything was delivered."""
    try:
        send: Send = lambda url, body, headers: post(url, body, headers, private=private)  # noqa: E731
        return deliver(stores, send, wait_s=ROUND_S) > 0
    except redis.RedisError as error:
        log.warning("delivering to webhooks was not possible now: %s", error)
        return False


def deliver(stores: Stores, send: Send, clock: Callable[[], float] = time.time, wait_s: float | None = None) -> int:
    """One round over all webhooks; gives how many messages were taken.

    One thread, of all processes, tells one webhook; a process has up to ``AT_ONCE`` of them. ``wait_s``: how long to
    wait for them (None: to their end); those still at it are left to it, and the next round passes their webhooks over.
    """
    hooks = [hook for hook in stores.webhooks.all() if hook.active]
    random.shuffle(hooks)  # where there are more than threads, each has its turn
    rounds = [one for one in (_begun(stores, hook, send, clock) for hook in hooks) if one is not None]
    end = None if wait_s is None else time.monotonic() + wait_s
    for one in rounds:
        one.join(None if end is None else max(end - time.monotonic(), 0.0))
    return sum(one.taken for one in rounds)


class _Round(threading.Thread):
    """Tells one webhook what it has not been told, up to the first failure or the end of its time."""

    def __init__(self, stores: Stores, hook: Webhook, send: Send, clock: Callable[[], float], token: str) -> None:
        super().__init__(name=f"webhook-{hook.id}", daemon=True)
        self._stores, self._hook, self._send, self._clock, self._token = stores, hook, send, clock, token
        self.taken = 0

    def run(self) -> None:
        try:
            self._tell()
        except redis.RedisError as error:
            log.warning("telling webhook %s was not possible now: %s", self._hook.id, error)
        finally:
            with suppress(redis.RedisError):
                if self._holds_on():
                    self._stores.client.delete(_lock(self._stores, self._hook))
            _slots.release()

    def _holds_on(self) -> bool:
        """Renew the lock; False where it has lapsed and may be another's."""
        client, name = self._stores.client, _lock(self._stores, self._hook)
        return client.get(name) == self._token.encode() and bool(client.pexpire(name, LOCK_MS))

    def _tell(self) -> None:
        stores, hook, clock = self._stores, self._hook, self._clock
        delivery = known = stores.webhooks.delivery(hook.id)
        if 0.0 < delivery.due_at - clock() <= PAUSES_S[-1]:  # further off it is of a clock that was put back since
            return
        end = time.monotonic() + TURN_S
        for event in stores.events.after(delivery.cursor, EVENTS_A_ROUND):
            if not hook.wants(event.kind):
                delivery = Delivery(cursor=event.id)
                continue
            if time.monotonic() > end or not self._holds_on():
                break
            posted = self._send(hook.url, *message(hook, event, int(clock())))
            if posted.error:
                _note_failure(stores, hook, event, delivery, posted, clock())
                return
            self.taken += 1
            known = delivery = Delivery(cursor=event.id)
            _note(stores, hook, delivery)
        if delivery != known:
            _note(stores, hook, delivery)


def _begun(stores: Stores, hook: Webhook, send: Send, clock: Callable[[], float]) -> _Round | None:
    """None where all threads are busy, or somebody tells this webhook already."""
    if not _slots.acquire(blocking=False):
        return None
    token = secrets.token_hex(8)
    try:
        mine = stores.client.set(_lock(stores, hook), token, nx=True, px=LOCK_MS)
    except redis.RedisError:
        _slots.release()
        raise
    if not mine:
        _slots.release()
        return None
    begun = _Round(stores, hook, send, clock, token)
    begun.start()
    return begun


def _lock(stores: Stores, hook: Webhook) -> str:
    return stores.keys.lock(f"webhook:{hook.id}")


def message(hook: Webhook, event: Event, timestamp: int) -> tuple[bytes, dict[str, str]]:
    """Body and headers of one event (Standard Webhooks). The id is the same at each try, the timestamp is not."""
    message_id = f"evt_{event.id}"
    plain = to_plain(event)
    body = to_json({"type": event.kind, "timestamp": plain.pop("at"), "data": plain})
    headers = {
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": signature(hook.secret, message_id, timestamp, body),
    }
    return body, headers


def _note_failure(stores: Stores, hook: Webhook, event: Event, before: Delivery, posted: Posted, now: float) -> None:
    attempt = before.attempt + 1
    if posted.status == GONE:
        stores.webhooks.put(replace(hook, active=False))
        log.warning("webhook %s answers that it is gone, and is told nothing more", hook.id)
    if attempt <= len(PAUSES_S):
        due = now + PAUSES_S[attempt - 1]
        _note(stores, hook, Delivery(cursor=before.cursor, attempt=attempt, due_at=due, last_error=posted.error))
        return
    dead = DeadLetter(event_id=event.id, kind=event.kind, at=now, attempts=attempt, error=posted.error)
    _note(stores, hook, Delivery(cursor=event.id, last_error=posted.error), dead)


def _note(stores: Stores, hook: Webhook, delivery: Delivery, dead: DeadLetter | None = None) -> None:
    """Nothing is noted of a webhook that was deleted meanwhile."""
    try:
        stores.webhooks.get(hook.id)
    except NotFoundError:
        return
    stores.webhooks.note(hook.id, delivery, dead)
