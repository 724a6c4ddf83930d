"""Webhooks in Redis: who they are, how far each has been told, and what was given up on."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import redis
from redis.client import Pipeline

from workers.model.codec import from_json, to_json
from workers.model.errors import NotFoundError
from workers.model.webhook import DeadLetter, Delivery, Webhook
from workers.store.keys import Keys

DEAD_KEPT = 1000  # letters a webhook

Also = Callable[[Pipeline], None]


class WebhookRepository:
    """``clock`` gives UTC epoch seconds."""

    def __init__(self, client: redis.Redis, keys: Keys, clock: Callable[[], float] = time.time) -> None:
        self._redis, self._keys, self._clock = client, keys, clock

    def create(self, webhook: Webhook, cursor: str, also: Also = lambda _: None) -> None:
        """Keep a webhook; it is told what comes behind ``cursor``."""
        with self._redis.pipeline(transaction=True) as pipe:
            pipe.hset(self._keys.webhooks, webhook.id, to_json(webhook))
            pipe.hset(self._keys.webhook_deliveries, webhook.id, to_json(Delivery(cursor=cursor)))
            also(pipe)
            pipe.execute()

    def all(self) -> list[Webhook]:
        rows: Any = self._redis.hvals(self._keys.webhooks)
        return sorted((from_json(raw, Webhook) for raw in rows), key=lambda one: one.id)

    def get(self, webhook_id: str) -> Webhook:
        """Raises NotFoundError."""
        raw: Any = self._redis.hget(self._keys.webhooks, webhook_id)
        if raw is None:
            raise NotFoundError(f"no webhook has the id {webhook_id!r}")
        return from_json(raw, Webhook)

    def delete(self, webhook_id: str) -> None:
        """Raises NotFoundError."""
        self.get(webhook_id)
        with self._redis.pipeline(transaction=True) as pipe:
            pipe.hdel(self._keys.webhooks, webhook_id)
            pipe.hdel(self._keys.webhook_deliveries, webhook_id)
            pipe.delete(self._keys.dead_letters(webhook_id))
            pipe.execute()

    def put(self, webhook: Webhook) -> None:
        """Replace a webhook that is still there."""
        with self._redis.pipeline(transaction=True) as pipe:
            pipe.watch(self._keys.webhooks)  # type: ignore[no-untyped-call]
            if self._redis.hexists(self._keys.webhooks, webhook.id):
                pipe.multi()
                pipe.hset(self._keys.webhooks, webhook.id, to_json(webhook))
                pipe.execute()

    def delivery(self, webhook_id: str) -> Delivery:
        raw: Any = self._redis.hget(self._keys.webhook_deliveries, webhook_id)
        return from_json(raw, Delivery) if raw is not None else Delivery(cursor="0")

    def note(self, webhook_id: str, delivery: Delivery, dead: DeadLetter | None = None) -> None:
        """How far it has been told; with the letter that was given up on, in one step."""
        with self._redis.pipeline(transaction=True) as pipe:
            pipe.hset(self._keys.webhook_deliveries, webhook_id, to_json(delivery))
            if dead is not None:
                pipe.lpush(self._keys.dead_letters(webhook_id), to_json(dead))
                pipe.ltrim(self._keys.dead_letters(webhook_id), 0, DEAD_KEPT - 1)
            pipe.execute()

    def dead_letters(self, webhook_id: str, limit: int = DEAD_KEPT) -> list[DeadLetter]:
        """Newest first."""
        rows: Any = self._redis.lrange(self._keys.dead_letters(webhook_id), 0, limit - 1)
        return [from_json(raw, DeadLetter) for raw in rows]
