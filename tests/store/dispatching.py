"""A bound job or many, for tests of the lists and claims: real routings, no waiting."""

from __future__ import annotations

from dataclasses import replace

from tests.builders import job, machine, nozzle, plain, spool
from workers.planning.places import UNPLACED, placed
from workers.store.dispatch import Move
from workers.store.stores import Stores
from workers.tasks.dispatch import bind_routed
from workers.tasks.routing import drain_inbox


def stock(stores: Stores) -> Stores:
    """Two machines alike, one nozzle and one spool each, one material."""
    for thing in (
        plain(),
        *(machine(one, nozzle_slots=1) for one in ("m1", "m2")),
        nozzle("n1", 0.4, "m1"),
        nozzle("n2", 0.4, "m2"),
        spool("pla", "m1"),
    ):
        stores.fleet.create(thing)
    stores.inbox.prepare()
    return stores


def bound(stores: Stores, *names: str, **changes: object) -> list[str]:
    """Jobs handed in, routed and bound; their ids."""
    job_ids = stores.jobs.accept([job(name, **changes) for name in names])
    drain_inbox(stores, "test")
    bind_routed(stores)
    return job_ids


def lapse_now(stores: Stores, claim_id: str) -> None:
    """Put a claim's lease into the past, as if nobody had renewed it."""
    stores.client.zadd(stores.keys.leases, {claim_id: 1}, xx=True)


def moved(stores: Stores, name: str, *, to: str, machine_id: str = "m1", **versions: int) -> Move:
    """A job put at the front of a list."""
    listed = next(one for one in stores.dispatch.get(machine_id).listed if one.entry.name == name)
    others = [one for one in stores.dispatch.get(to).listed if one.entry.name != name]
    entry = replace(listed.entry, nozzle_id={"m1": "n1", "m2": "n2"}[to])
    front = placed([replace(listed, entry=entry, place=UNPLACED), *others])[0]
    return Move(listed=front, from_machine=machine_id, to_machine=to, kind="job.moved", data={}, **versions)
