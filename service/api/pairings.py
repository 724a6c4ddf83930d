"""A machine, a nozzle and a material that a body names together."""

from __future__ import annotations

from service.api.things import require_reference
from workers.model.errors import FieldProblem, InvalidError
from workers.model.fleet import Machine, Material, Nozzle
from workers.model.shop import Shop


def require_pairing(shop: Shop, machine_id: str, nozzle_id: str, material_id: str) -> tuple[Machine, Nozzle, Material]:
    """Raises InvalidError where one of the three is not there, or the nozzle never fits the machine."""
    machine: Machine = require_reference(shop, Machine, machine_id, "machine_id")
    nozzle: Nozzle = require_reference(shop, Nozzle, nozzle_id, "nozzle_id")
    material: Material = require_reference(shop, Material, material_id, "material_id")
    if nozzle.fitting != machine.hotend.fitting:
        detail = f"nozzle {nozzle.id!r} ({nozzle.fitting}) does not fit {machine.id!r} ({machine.hotend.fitting})"
        raise InvalidError(detail, fields=(FieldProblem("/nozzle_id", detail),))
    return machine, nozzle, material
