"""How long spools still have to dry before they may be printed from. Pure.

Drying goes on beside the printing (a spool is dried in an oven or a heated box, not on the machine), so it takes none
of the machine's hours; and it is taken to begin now where nobody has begun it.
"""

from __future__ import annotations

from collections.abc import Iterable

from workers.model.fleet import Material, Spool
from workers.model.shop import Shop
from workers.process.moisture import hours_since


def drying_hours(shop: Shop, machine_id: str, now: float) -> dict[str, float]:
    """Material id -> hours of drying, of the materials whose spool for this machine is wet.

    The spool is the fullest loaded on the machine, else the fullest of all. Wet: out of drying for longer than the
    material stands. A spool whose last drying is not known, or a material without drying data, holds nothing back.
    """
    found = {}
    for material in shop.materials:
        if material.moisture_limit_h is not None and material.drying_h:
            spool = _spool(shop.spools, material, machine_id)
            if spool is not None and _is_wet(spool, material.moisture_limit_h, now):
                found[material.id] = material.drying_h
    return found


def wet_spools(shop: Shop, now: float) -> list[Spool]:
    """Spools known to be out of drying for longer than their material stands."""
    limits = {one.id: one.moisture_limit_h for one in shop.materials}
    return [one for one in shop.spools if _is_wet(one, limits.get(one.material_id), now)]


def _is_wet(spool: Spool, limit_h: float | None, now: float) -> bool:
    open_h = hours_since(spool.dried_at, now)
    return open_h is not None and limit_h is not None and open_h > limit_h


def _spool(spools: Iterable[Spool], material: Material, machine_id: str) -> Spool | None:
    ours = [one for one in spools if one.material_id == material.id]
    return max(ours, key=lambda one: (one.machine_id == machine_id, one.remaining_g, one.id), default=None)
