"""A worker process: one queue, one warm table, and a watch over what waits. The one place that wires it."""

from __future__ import annotations

import logging
import os
import secrets
import signal
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from types import FrameType

import redis
from rq import Queue, SimpleWorker
from rq.serializers import JSONSerializer

from service.log import event
from service.pulse import begin_pulse
from service.settings import Settings
from workers import tasks
from workers.store.connection import connect
from workers.store.keys import Keys
from workers.store.schema import bring_forward
from workers.store.stores import Stores, open_stores

log = logging.getLogger("borewright.worker")

RECONCILE_EVERY_S = 1.0
RECONCILE_LOCK_MS = 900
BEAT_EVERY_S = 3.0
PAUSE_S, LONGEST_PAUSE_S = 0.5, 5.0  # between two tries with a Redis that is gone or takes no writes
COMMAND_S = 15.0  # longer than RQ's reads: a store that is cut off is noticed after so long
TTL_S = 25  # RQ waits for 15 s less in one read, and for 5 s less before it gives a silent Redis up
Reconcile = Callable[[Stores], bool]


def run_worker(settings: Settings, queue: str, name: str) -> int:
    """Serve one queue until SIGTERM; returns the exit code.

    The worker does not fork for each task: tasks are short and ours, a crash of the whole process loses
    nothing (its share of the inbox is taken over), and a warm process routes in milliseconds. A store that is away or
    takes no writes ends nothing here: the worker tries again until it does. Raises NewerStoreError.
    """
    if settings.redis_url is None:
        raise ValueError("a worker needs a Redis URL")
    os.environ["BOREWRIGHT_WORKER"] = name
    ends = _Ends()
    logging.getLogger("rq.worker").addFilter(ends)
    begin_pulse()
    connection = connect(settings.redis_url, timeout_s=COMMAND_S)
    own_name, pause_s, watching = f"{name}-{os.getpid()}", PAUSE_S, False
    worker: _Worker | None = None
    leave: Callable[[], None] = lambda: None  # noqa: E731
    while True:
        began = time.monotonic()
        try:
            bring_forward(connection, Keys(settings.shop))
            _take_up(settings, connection, queue, name)
            if not watching:
                leave = _begin_presence(settings, queue, tasks.consumer_name(name))
                watching = True
                _watch_over(settings, queue)
            worker = _worker(connection, queue, own_name)
            worker.work(logging_level="WARNING")
        except redis.RedisError as error:
            log.warning(event("the store cannot be worked with now", queue=queue, error=_words(error)))
        if (worker is not None and worker.is_to_end) or ends.broken_off:
            leave()
            return int(ends.broken_off)
        signal.signal(signal.SIGTERM, signal.SIG_DFL)  # RQ's own handlers end with its work
        signal.signal(signal.SIGINT, signal.default_int_handler)
        pause_s = PAUSE_S if time.monotonic() - began > 2 * LONGEST_PAUSE_S else min(2 * pause_s, LONGEST_PAUSE_S)
        time.sleep(pause_s)


class _Worker(SimpleWorker):
    """is_to_end: whether it was told to, and did not break off."""

    max_connection_wait_time = LONGEST_PAUSE_S
    is_to_end = False

    def request_stop(self, signum: int, frame: FrameType | None) -> None:
        self.is_to_end = True
        with suppress(redis.RedisError):  # it only notes the moment there
            super().request_stop(signum, frame)  # type: ignore[no-untyped-call]

    def subscribe(self) -> None:
        """To nothing: orders from whoever reaches the store are not taken, and no thread has to be kept alive."""

    def unsubscribe(self) -> None:
        """Nothing is subscribed to."""


def _worker(connection: redis.Redis, queue: str, name: str) -> _Worker:
    return _Worker(
        [Queue(queue, connection=connection, serializer=JSONSerializer)],
        name=f"{name}-{secrets.token_hex(3)}",
        connection=connection,
        serializer=JSONSerializer,
        worker_ttl=TTL_S,
        maintenance_interval=60,
        log_job_description=False,
    )


class _Ends(logging.Filter):
    """Why RQ's work ended, which it only logs. A store that is away is an event like others: one line of it is enough.
    Anything else is a fault of this process, memory that is short among them, and the next one is to do better."""

    broken_off = False

    def filter(self, record: logging.LogRecord) -> bool:
        if record.exc_info and isinstance(record.exc_info[1], redis.RedisError):
            record.msg, record.args = f"{record.getMessage()} {_words(record.exc_info[1])}", ()
            record.exc_info = record.exc_text = None
        elif record.exc_info and "unhandled exception" in record.getMessage():
            self.broken_off = True
        return True


def _words(error: redis.RedisError) -> str:
    return f"{type(error).__name__}: {str(error)[:200]}"


def _begin_presence(settings: Settings, queue: str, name: str) -> Callable[[], None]:
    """Say that this worker lives, now and every few seconds. Gives what takes it back at the end."""
    stores = open_stores(connect(settings.redis_url or ""), settings.shop)
    stores.presence.beat(queue, name)
    over = threading.Event()

    def beat() -> None:
        while not over.wait(BEAT_EVERY_S):
            with suppress(redis.RedisError):
                stores.presence.beat(queue, name)

    threading.Thread(target=beat, name="presence", daemon=True).start()

    def leave() -> None:
        over.set()
        with suppress(redis.RedisError):
            stores.presence.leave(queue, name)

    return leave


def _take_up(settings: Settings, connection: redis.Redis, queue: str, name: str) -> None:
    """Finish or free what an earlier life of this name had in hand. Raises redis.RedisError."""
    stores, holder = open_stores(connection, settings.shop), tasks.consumer_name(name)
    if queue == tasks.ROUTING_QUEUE:
        tasks.drain_and_bind(stores, holder)
    elif queue == tasks.GEOMETRY_QUEUE:
        if stores.analyses.release(holder):
            tasks.ring_geometry(stores)
    elif queue == tasks.PLANNING_QUEUE and stores.long_tasks.release(holder):
        tasks.ring_planning(stores)


def _watch_over(settings: Settings, queue: str) -> None:
    """Watch over what waits, beside the work; a worker of meshes bounds their analyses first."""
    if queue == tasks.ROUTING_QUEUE:
        _begin_clock_watch(settings)
        _begin_watch(settings, "reconcile", tasks.reconcile)
        _begin_watch(settings, "claims", tasks.watch_claims)
        _begin_watch(settings, "changes", tasks.watch_changes)
        _begin_watch(settings, "trials", tasks.watch_trials)
        private = bool(settings.webhook_private_addresses)
        _begin_watch(settings, "webhooks", partial(tasks.watch_webhooks, private=private))
    elif queue == tasks.GEOMETRY_QUEUE:
        tasks.use_mesh_limits(
            upload_bytes=settings.upload_limit_bytes,
            triangles=settings.triangle_limit,
            seconds=float(settings.analysis_limit_s),
            memory_bytes=settings.analysis_memory_bytes,
        )
        tasks.warm_geometry()
        _begin_watch(settings, "reconcile-parts", tasks.reconcile_parts)
    elif queue == tasks.PLANNING_QUEUE:
        _begin_watch(settings, "reconcile-long", tasks.reconcile_long)


def _begin_clock_watch(settings: Settings) -> None:
    """Under no lock: locks are among what a clock that is put back holds up."""
    stores = open_stores(connect(settings.redis_url or ""), settings.shop)

    def watch() -> None:
        while True:
            time.sleep(RECONCILE_EVERY_S)
            with suppress(redis.RedisError):
                if back_s := stores.clock.look():
                    log.warning(event("the store's clock was put back; what runs on it is moved along", by_s=back_s))

    threading.Thread(target=watch, name="clock", daemon=True).start()


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
        try:
            done = mine and reconcile(stores)
        except Exception:
            log.exception("%s: broke off, and is tried again", lock)  # a watch that ends would be missed by nobody
            continue
        if done:
            log.info("%s: saw to what was waiting", lock)
