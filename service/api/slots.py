"""What nozzles and spools share: a place on a machine."""

from __future__ import annotations

from collections.abc import Sequence

from service.api.things import require_reference
from workers.model.errors import ConflictError, FieldProblem, InvalidError
from workers.model.fleet import Machine, Nozzle, Spool
from workers.model.shop import Shop, subject_of
from workers.planning.mounting import require_slot

Placed = Nozzle | Spool


def require_free_slot(shop: Shop, thing: Placed, others: Sequence[Placed]) -> Machine | None:
    """The machine that the thing sits on, None on the shelf.

    Raises InvalidError for half a place or an unknown machine, ConflictError where the slot is not there or
    not free.
    """
    if thing.machine_id is None and thing.slot is None:
        return None
    if thing.machine_id is None or thing.slot is None:
        missing = "machine_id" if thing.machine_id is None else "slot"
        detail = "machine_id and slot go together: give both, or neither for the shelf"
        raise InvalidError(detail, fields=(FieldProblem(f"/{missing}", detail),))
    machine: Machine = require_reference(shop, Machine, thing.machine_id, "machine_id")
    require_slot(machine, thing.slot)
    for other in others:
        if other.id != thing.id and (other.machine_id, other.slot) == (thing.machine_id, thing.slot):
            raise ConflictError(f"slot {thing.slot} of {machine.id!r} holds {subject_of(other)}: take that out first")
    return machine


def require_off(thing: Placed, is_word: str, do_word: str) -> None:
    """Raises ConflictError while the thing sits on a machine."""
    if thing.machine_id is not None:
        raise ConflictError(f"{subject_of(thing)} is {is_word} on {thing.machine_id!r}: {do_word} it first")
