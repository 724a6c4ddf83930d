"""A worker process: one queue, one warm table, and a watch over what waits. The one place that wires it."""

from __future__ import annotations

import logging
import os
import secrets
import threading
import time
from collections.abc import Callable
from functools import partial

import redis
from rq import Queue, SimpleWorker
from rq.serializers import JSONSerializer

from service.settings import Settings
from workers import tasks
from workers.store.connection import connect
from workers.store.keys import Keys
from workers.store.schema import bring_forward
from workers.store.stores import Stores, open_stores

log = logging.getLogger("borewright.worker")

RECONCILE_EVERY_S = 1.0
RECONCILE_LOCK_MS = 900
Reconcile = Callable[[Stores], bool]


def run_worker(settings: Settings, queue: str, name: str) -> int:
    """Serve one queue until SIGTERM; returns the exit code.

    The worker does not fork for each task: tasks are short and ours, a crash of the whole process loses
    nothing (its share of the inbox is taken over), and a warm process routes in milliseconds. Raises NewerStoreError.
    """
    if settings.redis_url is None:
        raise ValueError("a worker needs a Redis URL")
    os.environ["BOREWRIGHT_WORKER"] = name
    # RQ waits in blocking reads, so its own connection must outlast them.
    connection = connect(settings.redis_url, timeout_s=30.0)
    bring_forward(connection, Keys(settings.shop))
    if queue == tasks.ROUTING_QUEUE:
        _begin_routing(settings, connection, name)
    elif queue == tasks.GEOMETRY_QUEUE:
        _begin_geometry(settings, connection, name)
    elif queue == tasks.PLANNING_QUEUE:
        _begin_planning(settings, connection, name)
    worker = SimpleWorker(
        [Queue(queue, connection=connection, serializer=JSONSerializer)],
        name=f"{name}-{os.getpid()}-{secrets.token_hex(3)}",
        connection=connection,
        serializer=JSONSerializer,
        worker_ttl=60,
        maintenance_interval=60,
        log_job_description=False,
    )
    worker.work(logging_level="WARNING")
    return 0


def _begin_routing(settings: Settings, connection: redis.Redis, name: str) -> None:
    """Finish what an earlier process of this name had taken, then watch over the inbox beside the work."""
    stores = open_stores(connection, settings.shop)
    tasks.drain_and_bind(stores, tasks.consumer_name(name))
    _begin_watch(settings, "reconcile", tasks.reconcile)
    _begin_watch(settings, "claims", tasks.watch_claims)
    _begin_watch(settings, "changes", tasks.watch_changes)
    _begin_watch(settings, "trials", tasks.watch_trials)
    private = bool(settings.webhook_private_addresses)
    _begin_watch(settings, "webhooks", partial(tasks.watch_webhooks, private=private))


def _begin_geometry(settings: Settings, connection: redis.Redis, name: str) -> None:
    """Bound the analyses, free what an earlier process of this name had in hand, then watch over the parts."""
    tasks.use_mesh_limits(
        upload_bytes=settings.upload_limit_bytes,
        triangles=settings.triangle_limit,
        seconds=float(settings.analysis_limit_s),
        memory_bytes=settings.analysis_memory_bytes,
    )
    tasks.warm_geometry()
    stores = open_stores(connection, settings.shop)
    if stores.analyses.release(tasks.consumer_name(name)):
        tasks.ring_geometry(stores)
    _begin_watch(settings, "reconcile-parts", tasks.reconcile_parts)


def _begin_planning(settings: Settings, connection: redis.Redis, name: str) -> None:
    """Free what an earlier process of this name had in hand, then watch over the long tasks."""
    stores = open_stores(connection, settings.shop)
    if stores.long_tasks.release(tasks.consumer_name(name)):
        tasks.ring_planning(stores)
    _begin_watch(settings, "reconcile-long", tasks.reconcile_long)


def _begin_watch(settings: Settings, lock: str, reconcile: Reconcile) -> None:
    stores = open_stores(connect(settings.redis_url or ""), settings.shop)
    threading.Thread(target=_watch, args=(stores, lock, reconcile), name="watch", daemon=True).start()


def _watch(stores: Stores, lock: str, reconcile: Reconcile) -> None:
    """Ring for what nobody holds. A lock keeps many workers from all asking at once."""
    while True:
        time.sleep(RECONCILE_EVERY_S)
        try:
            mine = stores.client.set(stores.keys.lock(lock), "1", nx=True, px=RECONCILE_LOCK_MS)
        except redis.RedisError:
            continue
        if mine and reconcile(stores):
            log.info("%s: saw to what was waiting", lock)
