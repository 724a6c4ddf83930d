"""All repositories of one shop over one client: what the service and the tasks are handed."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import redis

from workers.store.access import AccessRepository
from workers.store.analyses import Analyses
from workers.store.claims import ClaimRepository
from workers.store.clock import StoreClock
from workers.store.dispatch import DispatchRepository
from workers.store.events import EventLog
from workers.store.fleet import FleetRepository
from workers.store.idempotency import IdempotencyStore
from workers.store.inbox import Inbox
from workers.store.jobs import JobRepository
from workers.store.keys import Keys
from workers.store.long_tasks import LongTasks
from workers.store.meter import Meter
from workers.store.outcomes import OutcomeRepository
from workers.store.parts import MIB, PartRepository
from workers.store.plans import PlanRepository
from workers.store.presence import Presence
from workers.store.reports import Reports
from workers.store.shares import ShareRepository
from workers.store.trials import TrialRepository
from workers.store.webhooks import WebhookRepository


@dataclass(frozen=True, slots=True)
class Stores:
    client: redis.Redis
    keys: Keys
    fleet: FleetRepository
    jobs: JobRepository
    parts: PartRepository
    analyses: Analyses
    outcomes: OutcomeRepository
    reports: Reports
    inbox: Inbox
    dispatch: DispatchRepository
    claims: ClaimRepository
    long_tasks: LongTasks
    plans: PlanRepository
    webhooks: WebhookRepository
    trials: TrialRepository
    events: EventLog
    idempotency: IdempotencyStore
    access: AccessRepository
    shares: ShareRepository
    meter: Meter
    presence: Presence
    clock: StoreClock


def open_stores(
    client: redis.Redis,
    shop: str = "main",
    *,
    clock: Callable[[], float] = time.time,
    inbox_limit: int = 200_000,
    reclaim_after_s: float = 30.0,
    analyses_limit: int = 200,
    analyses_limit_bytes: int = 512 * MIB,
) -> Stores:
    keys = Keys(shop)
    parts = PartRepository(client, keys, clock, analyses_limit, analyses_limit_bytes)
    return Stores(
        client=client,
        keys=keys,
        fleet=FleetRepository(client, keys, clock),
        jobs=JobRepository(client, keys, clock, inbox_limit, parts),
        parts=parts,
        analyses=Analyses(client, keys, clock),
        outcomes=OutcomeRepository(client, keys, clock),
        reports=Reports(client, keys, clock),
        inbox=Inbox(client, keys, clock, reclaim_after_s),
        dispatch=DispatchRepository(client, keys, clock),
        claims=ClaimRepository(client, keys),
        long_tasks=LongTasks(client, keys, clock),
        plans=PlanRepository(client, keys),
        webhooks=WebhookRepository(client, keys, clock),
        trials=TrialRepository(client, keys, clock),
        events=EventLog(client, keys),
        idempotency=IdempotencyStore(client, keys),
        access=AccessRepository(client, keys, clock),
        shares=ShareRepository(client, keys, clock),
        meter=Meter(client, keys),
        presence=Presence(client, keys),
        clock=StoreClock(client, keys),
    )
