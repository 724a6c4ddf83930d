"""When the shop changes: the bound jobs that this concerns are scored again, and moved where it is worth it."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import redis

from workers.learning.ageing import hour_of
from workers.model.dispatch import Entry, Listed, RoutedJob
from workers.model.errors import ConflictError, InvalidError, VersionMismatchError
from workers.model.fleet import Spool
from workers.model.record import Event
from workers.model.routing import Candidate, Routing
from workers.model.shop import Shop
from workers.planning.affected import (
    Better,
    Cause,
    affected,
    better_place,
    causes_of,
    learnt_by_material,
    pairing_of,
)
from workers.planning.dispatch import listed_anew
from workers.planning.drying import wet_spools
from workers.planning.places import placed
from workers.routing.decide import Router
from workers.store.dispatch import Move
from workers.store.stores import Stores
from workers.tasks.dispatch import chosen_for_list
from workers.tasks.floor import Floor
from workers.tasks.posed import PosedJob, posed_jobs
from workers.tasks.routing import route_posed, router_for
from workers.tasks.wider import widened

log = logging.getLogger("borewright.tasks")

EVENTS_A_LOOK = 1000
LOOK_LOCK_MS = 60_000
AT_ONCE = 64  # jobs scored in one pass
EVIDENCE_REST_S = 300  # evidence in a material brings its jobs up for a look no more often. Engineering prior


def watch_changes(stores: Stores) -> bool:
    """Follow what has changed since the last look; for the watch. Gives whether a job was moved."""
    try:
        return follow_changes(stores) > 0
    except redis.RedisError as error:
        log.warning("following the changes of the shop was not possible now: %s", error)
        return False


def follow_changes(stores: Stores) -> int:
    """Look at the events behind the kept cursor; gives how many jobs were moved.

    The cursor goes on only afterwards: a look that is cut off is taken again, and finds what it moved in place.
    """
    lock, cursor = stores.keys.lock("changes"), stores.keys.changes_cursor
    if not stores.client.set(lock, "1", nx=True, px=LOOK_LOCK_MS):
        return 0
    try:
        raw = stores.client.get(cursor)
        events = stores.events.after(raw.decode() if isinstance(raw, bytes) else "0", EVENTS_A_LOOK)
        recheck = sorted(_members(stores, stores.keys.changes_recheck))
        meanwhile = [Cause("machine_id", one, f"machine/{one} changed while the job was bound") for one in recheck]
        wet = _wet_now(stores)
        moved = rescore(
            stores, [*causes_of(events), *meanwhile, *_evidence(stores, events), *_newly_wet(stores, wet or ())]
        )
        if wet is not None:
            _note_wet(stores, wet)
        if events:
            stores.client.set(cursor, events[-1].id)
        if recheck:
            stores.client.srem(stores.keys.changes_recheck, *recheck)
        return moved
    finally:
        stores.client.delete(lock)


def _members(stores: Stores, name: str) -> set[str]:
    found: Any = stores.client.smembers(name)
    return {raw.decode() for raw in found}


def _wet_now(stores: Stores) -> list[Spool] | None:
    """The spools that are wet, looked up once an hour: time alone makes them so. None between two looks."""
    now = time.time()
    if not stores.client.set(stores.keys.lock(f"wet-look:{hour_of(now)}"), "1", nx=True, ex=7200):
        return None
    return wet_spools(stores.fleet.snapshot(), now)


def _newly_wet(stores: Stores, wet: Iterable[Spool]) -> list[Cause]:
    known = _members(stores, stores.keys.changes_wet)
    words = "has been out of drying for longer than its material stands"
    return [Cause("material_id", one.material_id, f"spool/{one.id} {words}") for one in wet if one.id not in known]


def _note_wet(stores: Stores, wet: Iterable[Spool]) -> None:
    with stores.client.pipeline(transaction=True) as pipe:
        pipe.delete(stores.keys.changes_wet)
        for one in wet:
            pipe.sadd(stores.keys.changes_wet, one.id)
        pipe.execute()


def _evidence(stores: Stores, events: Iterable[Event]) -> list[Cause]:
    """The materials with new evidence whose jobs have not been looked at for a while; the others stay noted."""
    name, learnt = stores.keys.changes_evidence, learnt_by_material(events)
    if learnt:
        stores.client.sadd(name, *learnt)
    due = []
    for material_id in sorted(_members(stores, name)):
        rest = stores.keys.lock(f"evidence-rest:{material_id}")
        if stores.client.set(rest, "1", nx=True, ex=EVIDENCE_REST_S):
            stores.client.srem(name, material_id)
            unnamed = Cause("material_id", material_id, f"outcomes in {material_id} learnt meanwhile")
            due.append(learnt.get(material_id, unnamed))
    return due


def rescore(stores: Stores, causes: Sequence[Cause]) -> int:
    """Score the jobs that the causes concern on today's shop; gives how many were moved."""
    if not causes:
        return 0
    concerned = affected(map(stores.dispatch.get, stores.dispatch.machines()), causes)
    return sum(_rescore(stores, concerned[i : i + AT_ONCE]) for i in range(0, len(concerned), AT_ONCE))


def _rescore(stores: Stores, concerned: Sequence[tuple[str, Listed, Cause]]) -> int:
    records = stores.jobs.get_many([listed.entry.job_id for _, listed, _ in concerned])
    kept = [(one, record) for one, record in zip(concerned, records, strict=True) if record is not None]
    router = router_for(stores)
    floor = Floor(stores, router.shop, time.time())
    posed = posed_jobs(stores, [record.spec for _, record in kept])
    scored = [
        (one, job, routing)
        for (one, _), job, routing in zip(kept, posed, route_posed(router, posed), strict=True)
        if isinstance(routing, Routing) and routing.chosen is not None
    ]
    wide = widened(stores, router.shop, floor.now, [_routed(one[1].entry, routing) for one, _, routing in scored])
    return sum(
        _settle(stores, router, floor, one, job, routing, (named.chosen, *named.others))
        for (one, job, routing), named in zip(scored, wide, strict=True)
    )


def _routed(entry: Entry, routing: Routing) -> RoutedJob:
    assert routing.chosen is not None  # nosec B101  # for the types
    return RoutedJob(
        job_id=entry.job_id,
        attempt=entry.attempt,
        name=entry.name,
        quantity=entry.quantity,
        priority=entry.priority,
        handed_in_at=entry.handed_in_at,
        chosen=routing.chosen,
        others=routing.others,
    )


def _settle(
    stores: Stores,
    router: Router,
    floor: Floor,
    concerned: tuple[str, Listed, Cause],
    job: PosedJob | InvalidError,
    routing: Routing,
    ranked: Sequence[Candidate],
) -> int:
    machine_id, listed, cause = concerned
    here = _here(router, floor, machine_id, listed, job, ranked)
    better = better_place(
        ranked,
        here,
        listed,
        floor.now,
        lambda one: floor.cost(machine_id, listed, one, here=one is here),
        floor.busy_h,
    )
    if better is None:
        return 0
    try:
        stores.dispatch.move(_move(floor, machine_id, listed, better, cause, routing))
    except (ConflictError, VersionMismatchError) as error:
        log.info("job %s went on meanwhile: %s", listed.entry.job_id, error.detail)
        return 0
    finally:
        floor.forget(machine_id, better.candidate.machine_id)
    return 1


def _here(
    router: Router,
    floor: Floor,
    machine_id: str,
    listed: Listed,
    job: PosedJob | InvalidError,
    ranked: Sequence[Candidate],
) -> Candidate | None:
    """The candidate that the job is bound to, None where it cannot be printed there any more.

    A routing names only its best few: where it does not name this one, the pairing is asked by itself, and its utility
    is taken to be that of the last one named, the most that it can be.
    """
    bound_to = (machine_id, listed.entry.nozzle_id, listed.entry.material_id)
    named = next((one for one in ranked if pairing_of(one) == bound_to), None)
    if named is not None or not ranked or not isinstance(job, PosedJob):
        return named
    alone = _only(router.shop, *bound_to)
    found = None if alone is None else next(filter(None, (router.best_of(alone, spec) for spec in job.specs)), None)
    if found is None or not floor.can_print(found):
        return None
    return replace(found, utility=min(found.utility, ranked[-1].utility))


def _only(shop: Shop, machine_id: str, nozzle_id: str, material_id: str) -> Shop | None:
    """The shop with one pairing left; None where that is not there any more."""
    machines = tuple(one for one in shop.machines if one.id == machine_id)
    nozzles = tuple(one for one in shop.nozzles if one.id == nozzle_id and one.machine_id == machine_id)
    materials = tuple(one for one in shop.materials if one.id == material_id)
    if not (machines and nozzles and materials):
        return None
    return replace(shop, machines=machines, nozzles=nozzles, materials=materials)


def _move(floor: Floor, from_machine: str, listed: Listed, better: Better, cause: Cause, routing: Routing) -> Move:
    candidate = better.candidate
    anew = listed_anew(listed, candidate)
    anew = replace(anew, entry=replace(anew.entry, moved_at=floor.now))
    sequencer = floor.without(candidate.machine_id, listed.entry.job_id)
    position = sequencer.insert(anew)
    reason = f"{cause.words}: {better.reason}"
    data = {
        "from": from_machine,
        "machine_id": candidate.machine_id,
        "nozzle_id": candidate.nozzle_id,
        "material_id": candidate.material_id,
        "position": position + 1,
        "reason": reason,
    }
    return Move(
        listed=placed(sequencer.listed)[position],
        from_machine=from_machine,
        to_machine=candidate.machine_id,
        kind="job.moved",
        data=data,
        routing=routing if candidate == routing.chosen else chosen_for_list(routing, candidate, reason),
    )
