"""All repositories of one shop over one client: what the service and the tasks are handed."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import redis

from workers.store.events import EventLog
from workers.store.fleet import FleetRepository
from workers.store.idempotency import IdempotencyStore
from workers.store.inbox import Inbox
from workers.store.jobs import JobRepository
from workers.store.keys import Keys


@dataclass(frozen=True, slots=True)
class Stores:
    client: redis.Redis
    keys: Keys
    fleet: FleetRepository
    jobs: JobRepository
    inbox: Inbox
    events: EventLog
    idempotency: IdempotencyStore


def open_stores(
    client: redis.Redis,
    shop: str = "main",
    *,
    clock: Callable[[], float] = time.time,
    inbox_limit: int = 200_000,
    reclaim_after_s: float = 30.0,
) -> Stores:
    keys = Keys(shop)
    return Stores(
        client=client,
        keys=keys,
        fleet=FleetRepository(client, keys, clock),
        jobs=JobRepository(client, keys, clock, inbox_limit),
        inbox=Inbox(client, keys, clock, reclaim_after_s),
        events=EventLog(client, keys),
        idempotency=IdempotencyStore(client, keys),
    )
