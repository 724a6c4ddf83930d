"""The shop's things on a real Redis: versions, references, one revision over all."""

from __future__ import annotations

import threading

import pytest
import redis

from tests.builders import calibration, machine, nozzle, plain, spool
from workers.model.errors import ConflictError, NotFoundError, VersionMismatchError
from workers.model.fleet import Machine, MachineState, Nozzle
from workers.planning import mounting
from workers.store.stores import Stores, open_stores


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    return open_stores(redis_client, clock=lambda: 1000.0)


def test_the_snapshot_holds_what_was_created_and_its_revision_rises(stores: Stores) -> None:
    assert stores.fleet.snapshot().revision == 0
    things = (machine(), nozzle("n04", 0.4), plain(), spool("pla"), calibration("n04", "pla"))
    for thing in things:
        stores.fleet.create(thing)

    shop = stores.fleet.snapshot()
    assert shop.revision == 5
    assert (shop.machines[0], shop.nozzles[0], shop.materials[0], shop.spools[0], shop.calibrations[0]) == things


def test_an_id_is_taken_once(stores: Stores) -> None:
    stores.fleet.create(machine())
    with pytest.raises(ConflictError, match="exists already"):
        stores.fleet.create(machine())


def test_a_stale_version_loses(stores: Stores) -> None:
    stores.fleet.create(machine())
    changed = stores.fleet.replace(machine(build_z_mm=300.0), expected=1)
    assert changed.version == 2
    with pytest.raises(VersionMismatchError):
        stores.fleet.replace(machine(build_z_mm=200.0), expected=1)
    assert stores.fleet.get(Machine, "m1").build_z_mm == 300.0


def test_what_is_in_use_cannot_be_deleted(stores: Stores) -> None:
    stores.fleet.create(machine())
    stores.fleet.create(nozzle("n04", 0.4))
    with pytest.raises(ConflictError, match="nozzle/n04"):
        stores.fleet.delete(Machine, "m1", expected=1)
    stores.fleet.delete(Nozzle, "n04", expected=1)
    stores.fleet.delete(Machine, "m1", expected=1)
    with pytest.raises(NotFoundError):
        stores.fleet.get(Machine, "m1")


def test_mounting_is_a_change_with_history(stores: Stores) -> None:
    stores.fleet.create(machine())
    stores.fleet.create(nozzle("n04", 0.4, machine_id=None))

    stores.fleet.change("mounted", lambda shop: mounting.mount(shop, "n04", "m1", 1, expected=1))
    stores.fleet.change("unmounted", lambda shop: mounting.unmount(shop, "n04", expected=2))

    history = stores.events.history("nozzle/n04")
    assert [entry.kind for entry in history] == ["nozzle.created", "nozzle.mounted", "nozzle.unmounted"]
    assert history[1].data["machine_id"] == "m1"


@pytest.mark.parametrize(
    ("other", "slot", "said"),
    [
        ({"fitting": "long"}, 1, "fitting"),
        ({}, 4, "slots 1 to 3"),
        ({}, 2, "holds nozzle 'n05'"),
    ],
)
def test_mounting_keeps_the_rules_of_the_machine(stores: Stores, other: dict[str, str], slot: int, said: str) -> None:
    stores.fleet.create(machine())
    stores.fleet.create(nozzle("n05", 0.5, slot=2))
    stores.fleet.create(nozzle("n04", 0.4, machine_id=None, **other))
    with pytest.raises(ConflictError, match=said):
        stores.fleet.change("mounted", lambda shop: mounting.mount(shop, "n04", "m1", slot, expected=1))


def test_two_at_once_cannot_share_a_slot(redis_url: str, stores: Stores) -> None:
    stores.fleet.create(machine())
    for i in range(6):
        stores.fleet.create(nozzle(f"n{i}", 0.4, machine_id=None))
    refused: list[Exception] = []

    def mount(nozzle_id: str) -> None:
        own = open_stores(redis.Redis.from_url(redis_url))
        try:
            own.fleet.change("mounted", lambda shop: mounting.mount(shop, nozzle_id, "m1", 1, expected=1))
        except ConflictError as error:
            refused.append(error)

    threads = [threading.Thread(target=mount, args=(f"n{i}",)) for i in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert len(refused) == 5
    assert [n.slot for n in stores.fleet.snapshot().nozzles].count(1) == 1


def test_spools_and_machine_states_change_with_their_rules(stores: Stores) -> None:
    stores.fleet.create(machine())
    stores.fleet.create(plain())
    stores.fleet.create(spool("pla"))
    stores.fleet.change("loaded", lambda shop: mounting.load(shop, "spool-pla", "m1", 1, expected=1))
    with pytest.raises(ConflictError, match="unload it first"):
        stores.fleet.change("loaded", lambda shop: mounting.load(shop, "spool-pla", "m1", 2, expected=2))
    stores.fleet.change("unloaded", lambda shop: mounting.unload(shop, "spool-pla", expected=2))
    with pytest.raises(ConflictError, match="on the shelf already"):
        stores.fleet.change("unloaded", lambda shop: mounting.unload(shop, "spool-pla", expected=3))
    stores.fleet.change(
        "state", lambda shop: mounting.set_state(shop, "m1", MachineState.DOWN, "belt torn", expected=1)
    )
    assert stores.fleet.get(Machine, "m1").state_reason == "belt torn"
