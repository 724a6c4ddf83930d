"""Dispatch lists: routed jobs are bound to their machine's list, in the place that the rule gives them."""

from __future__ import annotations

import logging
import time
from collections import defaultdict
from collections.abc import Sequence

from workers.model.dispatch import RoutedJob
from workers.model.errors import ConflictError, NotFoundError
from workers.model.fleet import Machine, MachineState
from workers.model.shop import Shop
from workers.planning.dispatch import Sequencer, bench_of, listed_of
from workers.planning.places import is_crowded, placed
from workers.store.dispatch import Binding
from workers.store.stores import Stores

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
    ready = {(nozzle.machine_id, nozzle.id) for nozzle in shop.nozzles}
    machines = {one.id: one for one in shop.machines if one.state is MachineState.UP}
    by_machine: dict[str, list[RoutedJob]] = defaultdict(list)
    for job in stores.dispatch.routed(job_ids):
        machine_id = job.chosen.machine_id
        if machine_id in machines and (machine_id, job.chosen.nozzle_id) in ready:
            by_machine[machine_id].append(job)
        else:
            _route_again(stores, job.job_id)
    bound = sum(_bind(stores, shop, machines[one], jobs) for one, jobs in by_machine.items())
    if by_machine and stores.fleet.revision() != shop.revision:
        stores.client.sadd(stores.keys.changes_recheck, *by_machine)
    return bound


def _bind(stores: Stores, shop: Shop, machine: Machine, jobs: Sequence[RoutedJob]) -> int:
    now = time.time()
    before = stores.dispatch.get(machine.id)
    sequencer = Sequencer(bench_of(shop, machine, before.listed, before.claim, now), before.listed)
    for job in jobs:
        sequencer.insert(listed_of(job, now))
    new = {job.job_id for job in jobs}
    grown = placed(sequencer.listed)
    bound = stores.dispatch.bind(
        [Binding(machine_id=machine.id, listed=one) for one in grown if one.entry.job_id in new]
    )
    if is_crowded(grown):
        _spread_out(stores, machine.id)
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
