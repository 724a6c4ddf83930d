"""A worker process: one queue, one warm table, and a watch over the inbox. The one place that wires it."""

from __future__ import annotations

import logging
import os
import secrets
import threading
import time

import redis
from rq import Queue, SimpleWorker
from rq.serializers import JSONSerializer

from service.settings import Settings
from workers import tasks
from workers.store.connection import connect
from workers.store.stores import Stores, open_stores

log = logging.getLogger("borewright.worker")

RECONCILE_EVERY_S = 1.0
RECONCILE_LOCK_MS = 900


def run_worker(settings: Settings, queue: str, name: str) -> int:
    """Serve one queue until SIGTERM; returns the exit code.

    The worker does not fork for each task: tasks are short and ours, a crash of the whole process loses
    nothing (its share of the inbox is taken over), and a warm process routes in milliseconds.
    """
    if settings.redis_url is None:
        raise ValueError("a worker needs a Redis URL")
    os.environ["BOREWRIGHT_WORKER"] = name
    # RQ waits in blocking reads, so its own connection must outlast them.
    connection = connect(settings.redis_url, timeout_s=30.0)
    if queue == tasks.ROUTING_QUEUE:
        _begin_routing(settings, connection, name)
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
    tasks.drain_inbox(stores, tasks.consumer_name(name))
    watched = open_stores(connect(settings.redis_url or ""), settings.shop)
    threading.Thread(target=_watch, args=(watched,), name="watch", daemon=True).start()


def _watch(stores: Stores) -> None:
    """Ring for jobs that nobody holds. A lock keeps many workers from all asking at once."""
    while True:
        time.sleep(RECONCILE_EVERY_S)
        try:
            mine = stores.client.set(stores.keys.lock("reconcile"), "1", nx=True, px=RECONCILE_LOCK_MS)
        except redis.RedisError:
            continue
        if mine and tasks.reconcile(stores):
            log.info("rang for jobs that were waiting")
