"""Mounting nozzles and loading spools: pure plans, from the shop to the things that change.

Each raises NotFoundError, VersionMismatchError, or ConflictError with the rule that stands against it.
"""

from __future__ import annotations

from dataclasses import replace

from workers.model.errors import ConflictError
from workers.model.fleet import Machine, MachineState, Nozzle, Spool
from workers.model.shop import Shop, Thing, find, require_version


def mount(shop: Shop, nozzle_id: str, machine_id: str, slot: int, expected: int) -> list[Thing]:
    """Put a nozzle from the shelf into a machine's free slot (slots count from 1)."""
    nozzle, machine = find(shop, Nozzle, nozzle_id), find(shop, Machine, machine_id)
    require_version(nozzle, expected)
    if nozzle.machine_id is not None:
        raise ConflictError(f"nozzle {nozzle_id!r} is mounted on {nozzle.machine_id!r}: unmount it first")
    require_fitting(machine, nozzle)
    require_slot(machine, slot)
    for other in shop.nozzles:
        if other.machine_id == machine_id and other.slot == slot:
            raise ConflictError(f"slot {slot} of {machine_id!r} holds nozzle {other.id!r}: unmount that first")
    return [replace(nozzle, machine_id=machine_id, slot=slot, version=expected + 1)]


def unmount(shop: Shop, nozzle_id: str, expected: int) -> list[Thing]:
    """Put a mounted nozzle back on the shelf."""
    nozzle = find(shop, Nozzle, nozzle_id)
    require_version(nozzle, expected)
    if nozzle.machine_id is None:
        raise ConflictError(f"nozzle {nozzle_id!r} is on the shelf already")
    return [replace(nozzle, machine_id=None, slot=None, version=expected + 1)]


def load(shop: Shop, spool_id: str, machine_id: str, slot: int, expected: int) -> list[Thing]:
    """Put a spool from the shelf at a machine's free slot."""
    spool, machine = find(shop, Spool, spool_id), find(shop, Machine, machine_id)
    require_version(spool, expected)
    if spool.machine_id is not None:
        raise ConflictError(f"spool {spool_id!r} is loaded on {spool.machine_id!r}: unload it first")
    require_slot(machine, slot)
    for other in shop.spools:
        if other.machine_id == machine_id and other.slot == slot:
            raise ConflictError(f"slot {slot} of {machine_id!r} holds spool {other.id!r}: unload that first")
    return [replace(spool, machine_id=machine_id, slot=slot, version=expected + 1)]


def unload(shop: Shop, spool_id: str, expected: int) -> list[Thing]:
    """Put a loaded spool back on the shelf."""
    spool = find(shop, Spool, spool_id)
    require_version(spool, expected)
    if spool.machine_id is None:
        raise ConflictError(f"spool {spool_id!r} is on the shelf already")
    return [replace(spool, machine_id=None, slot=None, version=expected + 1)]


def set_state(shop: Shop, machine_id: str, state: MachineState, reason: str, expected: int) -> list[Thing]:
    """Take a machine out of service, or back in."""
    machine = find(shop, Machine, machine_id)
    require_version(machine, expected)
    return [replace(machine, state=state, state_reason=reason, version=expected + 1)]


def require_fitting(machine: Machine, nozzle: Nozzle) -> None:
    """Raises ConflictError where the nozzle does not go into the machine's hotend."""
    if nozzle.fitting != machine.hotend.fitting:
        raise ConflictError(
            f"nozzle {nozzle.id!r} has the fitting {nozzle.fitting!r}, "
            f"machine {machine.id!r} takes {machine.hotend.fitting!r}"
        )


def require_slot(machine: Machine, slot: int) -> None:
    """Raises ConflictError where the machine has no such slot."""
    if not 1 <= slot <= machine.nozzle_slots:
        raise ConflictError(f"machine {machine.id!r} has the slots 1 to {machine.nozzle_slots}, not {slot}")
