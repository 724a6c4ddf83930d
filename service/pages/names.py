"""Names of the shop's things by their ids. Pure."""

from __future__ import annotations

from workers.model.fleet import Machine, Material, Nozzle
from workers.model.shop import Shop


class Names(dict[str, str]):
    """Names by id; what is not in the shop any more goes by its id."""

    def __missing__(self, key: str) -> str:
        return key


def names_of(shop: Shop) -> Names:
    """Names of machines, nozzles and materials by their ids; a clash shows the first kind's name."""
    things: list[Material | Nozzle | Machine] = [*shop.materials, *shop.nozzles, *shop.machines]
    return Names({thing.id: thing.name for thing in things})
