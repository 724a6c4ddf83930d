"""Webhooks are told of events, each in order: tried again with growing pauses, then given up on and kept as dead."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
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
LOCK_MS = 30_000  # longer than one delivery may take; renewed before each

Send = Callable[[str, bytes, dict[str, str]], Posted]


def watch_webhooks(stores: Stores, *, private: bool = False) -> bool:
    """Deliver what is due; for the watch. Gives whether anything was delivered."""
    try:
        return deliver(stores, lambda url, body, headers: post(url, body, headers, private=private)) > 0
    except redis.RedisError as error:
        log.warning("delivering to webhooks was not possible now: %s", error)
        return False


def deliver(stores: Stores, send: Send, clock: Callable[[], float] = time.time) -> int:
    """One round over all webhooks; gives how many messages were taken. One process at a time does this."""
    lock = stores.keys.lock("webhooks")
    if not stores.client.set(lock, "1", nx=True, px=LOCK_MS):
        return 0
    try:
        return sum(_round(stores, hook, send, clock, lock) for hook in stores.webhooks.all() if hook.active)
    finally:
        stores.client.delete(lock)


def _round(stores: Stores, hook: Webhook, send: Send, clock: Callable[[], float], lock: str) -> int:
    """Tell one webhook what it has not been told, up to the first failure."""
    delivery, taken = stores.webhooks.delivery(hook.id), 0
    known = delivery
    if delivery.due_at > clock():
        return 0
    for event in stores.events.after(delivery.cursor, EVENTS_A_ROUND):
        if not hook.wants(event.kind):
            delivery = Delivery(cursor=event.id)
            continue
        stores.client.pexpire(lock, LOCK_MS)
        posted = send(hook.url, *message(hook, event, int(clock())))
        if posted.error:
            _note_failure(stores, hook, event, delivery, posted, clock())
            return taken
        taken += 1
        known = delivery = Delivery(cursor=event.id)
        _note(stores, hook, delivery)
    if delivery != known:
        _note(stores, hook, delivery)
    return taken


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
