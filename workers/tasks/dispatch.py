"""Dispatch lists: routed jobs are bound to their machine's list, in the place that the rule gives them."""

from __future__ import annotations

import logging
import time
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace

from workers.model.dispatch import Listed, RoutedJob
from workers.model.errors import ConflictError, NotFoundError
from workers.model.routing import Candidate, Routing
from workers.planning.dispatch import listed_of, weight_of
from workers.planning.places import is_crowded, placed
from workers.planning.where import as_good, cheapest, shortlist
from workers.store.dispatch import Binding
from workers.store.stores import Stores
from workers.tasks.floor import Floor
from workers.tasks.wider import widened

log = logging.getLogger("borewright.tasks")

BIND_BATCH = 256
BIND_LOCK_MS = 10_000  # spares other workers the same work; the script alone makes it exactly once


def bind_all(stores: Stores) -> int:
    """Bind what is routed until nothing is, or until jobs wait to be routed (they go first); gives how many.

    Nothing is done where another worker is at it.
    """
    lock = stores.keys.lock("binding")
    bound = 0
    if not stores.client.set(lock, "1", nx=True, px=BIND_LOCK_MS):
        return bound
    try:
        while more := bind_routed(stores):
            bound += more
            if stores.inbox.needs_a_bell():
                break
            stores.client.pexpire(lock, BIND_LOCK_MS)
    finally:
        stores.client.delete(lock)
    return bound


def bind_routed(stores: Stores, limit: int = BIND_BATCH) -> int:
    """Bind the oldest ``limit`` routed jobs; gives how many were bound. A job whose machine cannot take it any more
    is routed anew.

    Any number may run at once: a job is bound once, whoever comes first.
    """
    job_ids = stores.dispatch.to_bind(limit)
    if not job_ids:
        return 0
    shop = stores.fleet.snapshot()
    floor = Floor(stores, shop, time.time())
    by_machine: dict[str, dict[str, Placed]] = defaultdict(dict)
    for job in widened(stores, shop, floor.now, stores.dispatch.routed(job_ids)):
        if floor.can_print(job.chosen):
            place = _place(floor, job)
            by_machine[place.chosen.machine_id][job.job_id] = place
        else:
            _route_again(stores, job.job_id)
    bound = sum(_bind(stores, floor, one, _explained(stores, places)) for one, places in by_machine.items())
    if by_machine and stores.fleet.revision() != shop.revision:
        stores.client.sadd(stores.keys.changes_recheck, *by_machine)
    return bound


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a job goes. reason: why, where that is not what its routing says."""

    chosen: Candidate
    listed: Listed
    reason: str = ""


def _place(floor: Floor, job: RoutedJob) -> Placed:
    """Put the job on the list where it costs least, of the machines that print it as well as the best."""
    options = shortlist(as_good((job.chosen, *job.others), floor.can_print), floor.busy_h)
    ways = {one.machine_id: listed_of(replace(job, chosen=one), floor.now) for one in options}
    weight = weight_of(ways[job.chosen.machine_id].entry)
    chosen, cost, elsewhere = job.chosen, 0.0, 0.0
    if len(options) > 1:
        chosen, cost, elsewhere = cheapest(
            options, weight, lambda one: floor.sequencer(one.machine_id).rise(ways[one.machine_id])
        )
    listed = ways[chosen.machine_id]
    floor.sequencer(chosen.machine_id).insert(listed)
    if chosen is job.chosen:
        return Placed(chosen, listed)
    reason = (
        f"as good as {job.chosen.machine_id} ({job.chosen.utility - chosen.utility:.2f} less in utility), and saves "
        f"{elsewhere - cost:.1f} weighted hours late, waited and set up"
    )
    return Placed(chosen, listed, reason)


def _explained(stores: Stores, places: Mapping[str, Placed]) -> dict[str, Binding]:
    """With the routing changed to what was chosen, for the jobs that go elsewhere than it says."""
    elsewhere = [job_id for job_id, one in places.items() if one.reason]
    routings = dict(zip(elsewhere, stores.jobs.routings(elsewhere), strict=True))
    return {job_id: _binding(one, routings.get(job_id)) for job_id, one in places.items()}


def _binding(place: Placed, routing: Routing | None) -> Binding:
    changed = None if routing is None else chosen_for_list(routing, place.chosen, place.reason)
    return Binding(machine_id=place.chosen.machine_id, listed=place.listed, routing=changed, reason=place.reason)


def chosen_for_list(routing: Routing, chosen: Candidate, reason: str) -> Routing:
    """The routing with another of its candidates as the choice, and why."""
    ranked = (*(() if routing.chosen is None else (routing.chosen,)), *routing.others)
    others = tuple(one for one in ranked if one != chosen)
    note = f"Put on the list of {chosen.machine_id}: {reason}."
    return replace(routing, chosen=chosen, others=others, flips=(), notes=(*routing.notes, note))


def _bind(stores: Stores, floor: Floor, machine_id: str, bindings: Mapping[str, Binding]) -> int:
    grown = placed(floor.sequencer(machine_id).listed)
    new = [(bindings[one.entry.job_id], one) for one in grown if one.entry.job_id in bindings]
    bound = stores.dispatch.bind([replace(binding, listed=one) for binding, one in new])
    if is_crowded(grown):
        _spread_out(stores, machine_id)
    return bound


def _spread_out(stores: Stores, machine_id: str) -> None:
    """Number the places anew; where the list changes meanwhile, the next one who finds it crowded does."""
    now = stores.dispatch.get(machine_id)
    stores.dispatch.renumber(machine_id, now.version, [one.entry.job_id for one in now.listed])


def _route_again(stores: Stores, job_id: str) -> None:
    try:
        stores.jobs.retry(job_id)
    except (ConflictError, NotFoundError):
        log.info("job %s went on by itself", job_id)
