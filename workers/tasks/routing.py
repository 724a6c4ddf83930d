"""Routing: the inbox is drained, scored in one pass and committed.

RQ is the doorbell only. A drain task carries no job: it empties the inbox, and our own records say what is
done. Ringing too often costs a task; ringing never is made good by :func:`reconcile`.
"""

from __future__ import annotations

import logging
import os
import socket
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby, islice

import redis
from rq import Queue, get_current_job
from rq.serializers import JSONSerializer

from workers.learning.ageing import hour_of
from workers.model.errors import InvalidError
from workers.model.job import JobSpec, JobState
from workers.model.record import JobRecord
from workers.model.routing import Help, InformationValue, Remedy, Routing
from workers.model.shop import Shop
from workers.routing.decide import Router
from workers.routing.help import helps, remedies_today, with_remedies
from workers.routing.information import value_of_information
from workers.store.inbox import InboxEntry, Result
from workers.store.jobs import IDS_LOGGED
from workers.store.stores import Stores, open_stores
from workers.tasks.dispatch import bind_all
from workers.tasks.posed import PosedJob, posed_jobs
from workers.tasks.together import Together

log = logging.getLogger("borewright.tasks")

ROUTING_QUEUE = "routing"
BATCH = 256
STRIKES = 3  # a job whose scoring ends the worker so often, alone, has failed (engineering prior)
ENDS_ITS_WORKER = f"its worker ended each time while at it, {STRIKES} times alone: a fault, or too little memory"
BELL_S = 5
TASK_TIMEOUT_S = 120
OUT_OF_MEMORY_EXIT = 70  # EX_SOFTWARE of sysexits.h
ROUNDS = 400  # batches a drain task, then it rings for the next: no task runs for ever

_stores: dict[tuple[int, str], Stores] = {}
_router: Router | None = None
_drains: tuple[Stores, Router] | None = None  # equal revisions mean an equal shop in one store only


def ring(stores: Stores) -> bool:
    """Ask for a drain, unless one is asked for already. Returns whether a task was queued."""
    if not stores.client.set(stores.keys.bell, "1", nx=True, ex=BELL_S):
        return False
    queue = Queue(ROUTING_QUEUE, connection=stores.client, serializer=JSONSerializer)
    queue.enqueue("workers.tasks.drain", stores.keys.shop, result_ttl=0, failure_ttl=86_400, job_timeout=TASK_TIMEOUT_S)
    return True


def drain(shop: str) -> int:
    """RQ task: empty the inbox of ``shop``. Returns how many jobs it committed."""
    task = get_current_job()
    if task is None:
        raise RuntimeError("drain runs as an RQ task; call drain_inbox elsewhere")
    key = (os.getpid(), shop)
    if key not in _stores:
        _stores[key] = open_stores(task.connection, shop)
    try:
        return drain_and_bind(_stores[key], consumer_name(os.environ.get("BOREWRIGHT_WORKER", "worker")))
    except MemoryError:
        log.critical("out of memory: this worker ends, and its successor takes up what it had in hand")
        os._exit(OUT_OF_MEMORY_EXIT)


def drain_and_bind(stores: Stores, consumer: str) -> int:
    """Empty the inbox, then bind what is routed; jobs that come meanwhile go first. Gives how many were committed."""
    committed = 0
    for _ in range(ROUNDS):
        committed += drain_inbox(stores, consumer)
        bind_all(stores)
        if not stores.inbox.needs_a_bell():  # what another worker holds is not ours to wait for
            return committed
    ring(stores)
    return committed


def consumer_name(worker: str) -> str:
    """Stable over restarts, so that a restarted worker finds what it had taken before it died."""
    return f"{socket.gethostname()}.{worker}"


def drain_inbox(stores: Stores, consumer: str, batch: int = BATCH) -> int:
    """Take, score and commit batches until the inbox is empty."""
    stores.client.delete(stores.keys.bell)  # before the first look: who comes after it rings again
    stores.inbox.prepare()
    committed = 0
    for _ in range(ROUNDS):
        entries = stores.inbox.take(consumer, batch)
        if not entries:
            return committed
        if len(entries) == batch:
            ring(stores)  # more than one share: call another worker in
        committed += _commit(stores, entries)
    ring(stores)
    return committed


def _commit(stores: Stores, entries: Sequence[InboxEntry]) -> int:
    """Score and commit one batch; a count that could not be noted is lost, the routings are not."""
    records = stores.jobs.get_many([entry.job_id for entry in entries])
    results = _score(stores, entries, records)
    committed = stores.inbox.commit(results)
    done = time.time()
    _log(results)
    try:
        stores.meter.note_batch([done - one.updated_at for one in records if one and one.state is JobState.ACCEPTED])
    except redis.RedisError as error:
        log.warning("a batch could not be counted: %s", error)
    return committed


def _log(results: Sequence[Result]) -> None:
    """A line for what came of each request of the batch; a request may be in several batches."""
    by_request: dict[str, list[Result]] = defaultdict(list)
    for one in results:
        by_request[one.request_id].append(one)
    for origin, rows in by_request.items():
        states = Counter(one.state.value for one in rows)
        counts = " ".join(f"{state}={count}" for state, count in sorted(states.items()))
        ids = ",".join(one.entry.job_id for one in rows[:IDS_LOGGED])
        log.info("jobs scored %s job_ids=%s%s", counts, ids, f" request_id={origin}" if origin else "")


def _score(stores: Stores, entries: Sequence[InboxEntry], records: Sequence[JobRecord | None]) -> list[Result]:
    gone, live = [], []
    for entry, record in zip(entries, records, strict=True):
        if record is None or record.state is not JobState.ACCEPTED:
            gone.append(Result(entry, JobState.CANCELLED))  # committed as nothing: the script sees its state
        elif entry.alone and stores.inbox.strike(entry) > STRIKES:
            gone.append(Result(entry, JobState.FAILED, reason=ENDS_ITS_WORKER, request_id=record.request_id))
        else:
            live.append((entry, record))
    routings = route_posed(router_for(stores), posed_jobs(stores, [record.spec for _, record in live]))
    return gone + [
        replace(_result(entry, routing), request_id=record.request_id)
        for (entry, record), routing in zip(live, routings, strict=True)
    ]


def route_posed(router: Router, jobs: Sequence[PosedJob | InvalidError]) -> list[Routing | Exception]:
    """A routing, or what went wrong, for each job; all poses of all jobs are scored in one pass."""
    routings = iter(route_all(router, [spec for job in jobs if isinstance(job, PosedJob) for spec in job.specs]))
    return [_chosen(job, list(islice(routings, len(job.specs)))) if isinstance(job, PosedJob) else job for job in jobs]


def _chosen(job: PosedJob, routings: Sequence[Routing | Exception]) -> Routing | Exception:
    sound: list[Routing] = []
    for routing in routings:
        if isinstance(routing, Exception):
            return routing
        sound.append(routing)
    return job.chosen(sound)


def router_for(stores: Stores) -> Router:
    """The process's one warm table, made anew when the shop has changed or the hour (what is aged is an hour older)."""
    global _drains  # noqa: PLW0603
    now, (store, router) = time.time(), _drains or (None, None)
    if store is not stores or router is None or router.as_of != hour_of(now) or _is_old(router, stores):
        router = Router(stores.fleet.snapshot(), now)
        _drains = (stores, router)
    return router


def _is_old(router: Router, stores: Stores) -> bool:
    return router.shop.revision != stores.fleet.revision()


def route_all(router: Router, specs: Sequence[JobSpec]) -> list[Routing | Exception]:
    """A routing, or what went wrong, for each job. One bad job does not stop its batch. Raises MemoryError."""
    try:
        return list(router.route(specs))
    except Exception as error:
        if len(specs) == 1:
            if isinstance(error, MemoryError):
                raise  # no fault of the job's
            log.exception("a job could not be scored")
            return [error]
        log.warning("a batch of %d could not be scored in one pass; one by one now", len(specs))
        return [routing for spec in specs for routing in route_all(router, [spec])]


def _result(entry: InboxEntry, routing: Routing | Exception) -> Result:
    if isinstance(routing, InvalidError):
        return Result(entry, JobState.FAILED, reason=routing.detail[:500])
    if isinstance(routing, Exception):
        return Result(entry, JobState.FAILED, reason=f"scoring failed: {type(routing).__name__}: {routing}"[:500])
    if routing.chosen is None:
        return Result(entry, JobState.UNROUTABLE, routing, reason="every candidate was refused")
    return Result(entry, JobState.ROUTED, routing)


def route_now(shop: Shop, job: PosedJob) -> Routing:
    """The routing for a job that is not stored; what is asked at the same time is scored in one pass."""
    routing = _asked.ask((shop, job))
    return with_remedies(_router_of(shop), job.spec_of(routing), routing)


def _route_asked(asked: Sequence[tuple[Shop, PosedJob]]) -> list[Routing | Exception]:
    """Those on one and the same shop go together; the shop's tables are kept while its revision and the hour stand."""
    found: list[Routing | Exception] = []
    for _, members in groupby(asked, key=lambda one: id(one[0])):
        same = list(members)
        found += route_posed(_router_of(same[0][0]), [job for _, job in same])
    return found


_asked = Together(_route_asked)


def remedies_now(shop: Shop, spec: JobSpec) -> tuple[Remedy, ...]:
    """What would make a job routable that was not when it was routed."""
    return remedies_today(_router_of(shop), spec)


def helps_now(shop: Shop, spec: JobSpec) -> tuple[Help, ...]:
    """What would make a job routable, or its weak routing better."""
    return helps(_router_of(shop), spec)


def information_now(shop: Shop, spec: JobSpec) -> tuple[InformationValue, ...]:
    """What is worth measuring for a job whose part is filled in, most valuable first."""
    return value_of_information(_router_of(shop), spec)


def _router_of(shop: Shop) -> Router:
    global _router  # noqa: PLW0603
    now, router = time.time(), _router
    if router is None or router.shop is not shop or router.as_of != hour_of(now):
        router = _router = Router(shop, now)
    return router


def reconcile(stores: Stores) -> bool:
    """Ring where jobs wait that no live drain is known to hold. Returns whether it rang."""
    try:
        return (stores.inbox.needs_a_bell() or bool(stores.dispatch.to_bind(1))) and ring(stores)
    except redis.RedisError as error:
        log.warning("reconciling was not possible now: %s", error)
        return False
