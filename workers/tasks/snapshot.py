"""The shop with all its dispatch lists at one moment: what a plan is made from, and checked against."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from workers.model.dispatch import DispatchList
from workers.model.errors import ConflictError
from workers.model.plan import ListVersion
from workers.model.shop import Shop
from workers.store.stores import Stores

TRIES = 50  # a look takes milliseconds; lists that change faster than that for so long are no lists to plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """lists by machine id, for every machine of the shop and those that still have a list; seen: the last event."""

    shop: Shop
    lists: Mapping[str, DispatchList]
    seen: str

    @property
    def versions(self) -> tuple[ListVersion, ...]:
        return tuple(ListVersion(machine_id=one.machine_id, version=one.version) for one in self.lists.values())


def take_snapshot(stores: Stores) -> Snapshot:
    """Read until nothing changed meanwhile. Raises ConflictError where it never comes to rest."""
    for _ in range(TRIES):
        stores.claims.lapse()
        before, seen = _versions(stores), stores.events.last_id()
        shop = stores.fleet.snapshot()
        machines = {one.id for one in shop.machines} | set(stores.dispatch.machines())
        lists = {machine_id: stores.dispatch.get(machine_id) for machine_id in sorted(machines)}
        if before == _versions(stores):
            return Snapshot(shop=shop, lists=lists, seen=seen)
    raise ConflictError("the dispatch lists change too fast to plan them now; try again")


def _versions(stores: Stores) -> tuple[int, Any]:
    return stores.fleet.revision(), stores.client.hgetall(stores.keys.dispatch_versions)
