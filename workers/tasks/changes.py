"""When the shop changes: the bound jobs that this concerns are scored again, and moved where it is worth it."""

from __future__ import annotations

import logging
import time
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import redis

from workers.model.dispatch import Listed
from workers.model.errors import ConflictError, VersionMismatchError
from workers.model.fleet import Machine
from workers.model.routing import Candidate, Routing
from workers.model.shop import Shop
from workers.planning.affected import Cause, affected, better_place, causes_of
from workers.planning.dispatch import Sequencer, bench_of, listed_anew
from workers.planning.places import placed
from workers.store.dispatch import Move
from workers.store.stores import Stores
from workers.tasks.posed import posed_jobs
from workers.tasks.routing import route_posed, router_for

log = logging.getLogger("borewright.tasks")

EVENTS_A_LOOK = 1000
LOOK_LOCK_MS = 60_000
AT_ONCE = 64  # jobs scored in one pass


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
        recheck = sorted(raw.decode() for raw in _members(stores))
        if not events and not recheck:
            return 0
        meanwhile = [Cause("machine_id", one, f"machine/{one} changed while the job was bound") for one in recheck]
        moved = rescore(stores, [*causes_of(events), *meanwhile])
        if events:
            stores.client.set(cursor, events[-1].id)
        if recheck:
            stores.client.srem(stores.keys.changes_recheck, *recheck)
        return moved
    finally:
        stores.client.delete(lock)


def _members(stores: Stores) -> set[bytes]:
    found: Any = stores.client.smembers(stores.keys.changes_recheck)
    return set(found)


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
    routings = route_posed(router, posed_jobs(stores, [record.spec for _, record in kept]))
    moved = 0
    for ((machine_id, listed, cause), _), routing in zip(kept, routings, strict=True):
        if isinstance(routing, Routing):
            moved += _settle(stores, router.shop, machine_id, listed, cause, routing)
    return moved


def _settle(stores: Stores, shop: Shop, machine_id: str, listed: Listed, cause: Cause, routing: Routing) -> int:
    now = time.time()
    place = better_place(routing, machine_id, listed.entry, now)
    machine = None if place is None else next((m for m in shop.machines if m.id == place[0].machine_id), None)
    if place is None or machine is None:
        return 0
    candidate, gain = place
    try:
        stores.dispatch.move(_move(stores, shop, machine_id, machine, listed, (candidate, gain), cause, routing, now))
    except (ConflictError, VersionMismatchError) as error:
        log.info("job %s went on meanwhile: %s", listed.entry.job_id, error.detail)
        return 0
    return 1


def _move(
    stores: Stores,
    shop: Shop,
    from_machine: str,
    machine: Machine,
    listed: Listed,
    place: tuple[Candidate, float | None],
    cause: Cause,
    routing: Routing,
    now: float,
) -> Move:
    candidate, gain = place
    anew = listed_anew(listed, candidate)
    anew = replace(anew, entry=replace(anew.entry, moved_at=now))
    seen = stores.dispatch.get(machine.id)
    rest = [one for one in seen.listed if one.entry.job_id != listed.entry.job_id]
    sequencer = Sequencer(bench_of(shop, machine, rest, seen.claim, now), rest)
    position = sequencer.insert(anew)
    because = "it cannot be printed where it was" if gain is None else f"gain {gain:.2f} in utility"
    data = {
        "from": from_machine,
        "machine_id": machine.id,
        "nozzle_id": candidate.nozzle_id,
        "material_id": candidate.material_id,
        "position": position + 1,
        "reason": f"{cause.words}: {because}",
    }
    return Move(
        listed=placed(sequencer.listed)[position],
        from_machine=from_machine,
        to_machine=machine.id,
        kind="job.moved",
        data=data,
        routing=routing,
    )
