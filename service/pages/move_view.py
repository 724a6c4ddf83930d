"""Moving a job: where it could go, and what the lists would cost then. Pure; no HTTP, no Redis."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from service.pages.names import names_of
from workers.model.dispatch import ListCost
from workers.model.errors import NotFoundError
from workers.model.routing import Routing
from workers.model.shop import Shop
from workers.store.heads import Head
from workers.tasks import PlannedMove

POSITIONS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is wanted. to None: the list it is on; position None: where it costs least. chosen: whether one said so."""

    machine_id: str
    job_id: str
    to: str | None = None
    position: int | None = None
    chosen: bool = False

    def at(self, text: str) -> Asked:
        """With the position as it came in: a number, or ``best``."""
        if text.isascii() and text.isdigit() and int(text[:7]) > 0:
            return replace(self, position=int(text[:7]), chosen=True)
        return replace(self, chosen=text == "best")

    @property
    def is_made(self) -> bool:
        return self.chosen or self.to is not None


@dataclass(frozen=True, slots=True)
class Target:
    """A machine that the job could be on; total: jobs on its list, this one not counted."""

    machine_id: str
    name: str
    total: int


@dataclass(frozen=True, slots=True)
class CostRow:
    name: str
    before: ListCost
    after: ListCost


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveView:
    """position None: where it costs least; lands: the place that comes to. more: change of the whole cost, hours."""

    machine_id: str
    machine_name: str
    job_id: str
    name: str
    now_at: int
    pinned: bool
    version: int
    to: str
    position: int | None
    targets: tuple[Target, ...]
    places: int
    lands: int | None
    costs: tuple[CostRow, ...]
    more: float
    late_more: int
    problem: str


def move_view(
    asked: Asked,
    shop: Shop,
    every: Mapping[str, Head],
    routing: Routing | None,
    planned: PlannedMove | None,
    problem: str,
) -> MoveView:
    """Raises NotFoundError where the job is not on that list (within what was read of it)."""
    names, source = names_of(shop), every[asked.machine_id]
    place = next((i for i, one in enumerate(source.list.listed, 1) if one.entry.job_id == asked.job_id), None)
    if place is None:
        raise NotFoundError(f"the job is not among the first jobs on the list of {names[asked.machine_id]}")
    entry = source.list.listed[place - 1].entry
    targets = _targets(asked, shop, every, routing)
    to = asked.to or asked.machine_id
    places = min(next((t.total for t in targets if t.machine_id == to), 0) + 1, POSITIONS)
    costs = () if planned is None else _costs(planned, names)
    return MoveView(
        machine_id=asked.machine_id,
        machine_name=names[asked.machine_id],
        job_id=asked.job_id,
        name=entry.name,
        now_at=place,
        pinned=entry.pinned,
        version=source.list.version,
        to=to,
        position=asked.position,
        targets=targets,
        places=places,
        lands=None if planned is None else planned.position,
        costs=costs,
        more=sum(row.after.total - row.before.total for row in costs),
        late_more=sum(row.after.late_jobs - row.before.late_jobs for row in costs),
        problem=problem,
    )


def _targets(asked: Asked, shop: Shop, every: Mapping[str, Head], routing: Routing | None) -> tuple[Target, ...]:
    """Its own machine, then those on which its routing has a candidate whose nozzle is mounted, the best first."""
    names, mounted = names_of(shop), {(n.machine_id, n.id) for n in shop.nozzles}
    ranked = () if routing is None or routing.chosen is None else (routing.chosen, *routing.others)
    able = dict.fromkeys(c.machine_id for c in ranked if (c.machine_id, c.nozzle_id) in mounted)
    order = [asked.machine_id, *(m for m in able if m != asked.machine_id and m in every)]
    return tuple(Target(m, names[m], every[m].total - (m == asked.machine_id)) for m in order)


def _costs(planned: PlannedMove, names: Mapping[str, str]) -> tuple[CostRow, ...]:
    return tuple(CostRow(names[m], planned.before[m], planned.after[m]) for m in planned.before)
