"""Moving a job within its dispatch list or to another machine's: what it costs, then the move itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from workers.model.dispatch import DispatchList, ListCost
from workers.model.errors import ConflictError, FieldProblem, InvalidError
from workers.model.fleet import Machine
from workers.model.routing import Candidate, Routing
from workers.model.shop import Shop, find
from workers.planning.dispatch import Bench, Sequencer, bench_of, listed_anew
from workers.planning.places import UNPLACED, placed
from workers.store.dispatch import Move
from workers.store.stores import Stores


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveWish:
    """position counts from 1; None: where the rule puts it. machine_id None: the same one. pinned None: as it is."""

    job_id: str
    position: int | None = None
    machine_id: str | None = None
    pinned: bool | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedMove:
    """before, after: cost of each list that it touches, by machine id. position counts from 1."""

    move: Move
    position: int
    before: dict[str, ListCost]
    after: dict[str, ListCost]


def plan_move(stores: Stores, shop: Shop, machine_id: str, wish: MoveWish, now: float) -> PlannedMove:
    """What the wish comes to. Raises NotFoundError, InvalidError at /job_id, ConflictError where it cannot be."""
    source = _open(stores, shop, machine_id, now)
    target = source if wish.machine_id in (None, machine_id) else _open(stores, shop, wish.machine_id or "", now)
    listed = next((one for one in source.now.listed if one.entry.job_id == wish.job_id), None)
    if listed is None:
        detail = f"the job is not on the dispatch list of {machine_id!r}"
        raise InvalidError(detail, fields=(FieldProblem("/job_id", detail),))
    entry, routing = listed.entry, None
    if target is not source:
        candidate, routing = _there(stores, shop, wish.job_id, target.now.machine_id)
        entry = listed_anew(listed, candidate).entry
    pinned = entry.pinned if wish.pinned is None else wish.pinned
    moved = replace(listed, entry=replace(entry, pinned=pinned), place=UNPLACED)
    rest = [one for one in source.now.listed if one is not listed]
    sequencer = Sequencer(target.bench, rest if target is source else target.now.listed)
    position = sequencer.insert(moved, None if wish.position is None else wish.position - 1)
    after = {target.now.machine_id: sequencer.cost()}
    if target is not source:
        after[machine_id] = Sequencer(source.bench, rest).cost()
    return PlannedMove(
        move=Move(
            listed=placed(sequencer.listed)[position],
            from_machine=machine_id,
            to_machine=target.now.machine_id,
            kind="job.moved",
            data=_data(machine_id, target.now.machine_id, position + 1, wish.reason, pinned=pinned),
            from_version=source.now.version,
            to_version=target.now.version,
            routing=routing,
        ),
        position=position + 1,
        before={one.now.machine_id: Sequencer(one.bench, one.now.listed).cost() for one in (source, target)},
        after=after,
    )


@dataclass(frozen=True, slots=True)
class _Open:
    now: DispatchList
    bench: Bench


def _open(stores: Stores, shop: Shop, machine_id: str, now: float) -> _Open:
    machine = find(shop, Machine, machine_id)
    seen = stores.dispatch.get(machine_id)
    return _Open(seen, bench_of(shop, machine, seen.listed, seen.claim, now))


def _there(stores: Stores, shop: Shop, job_id: str, machine_id: str) -> tuple[Candidate, Routing]:
    """The routing's best candidate on that machine, and the routing with it as the choice. Raises ConflictError."""
    routing = stores.jobs.routing(job_id)
    mounted = {one.id for one in shop.nozzles if one.machine_id == machine_id}
    ranked = () if routing is None or routing.chosen is None else (routing.chosen, *routing.others)
    for candidate in ranked:
        if candidate.machine_id == machine_id and candidate.nozzle_id in mounted and routing is not None:
            return candidate, chosen_by_hand(routing, candidate, ranked)
    raise ConflictError(
        f"the job's routing has no candidate on {machine_id!r}: it was refused there, or the shop has changed "
        "since; have the job routed again to see"
    )


def chosen_by_hand(routing: Routing, candidate: Candidate, ranked: Sequence[Candidate]) -> Routing:
    others = tuple(one for one in ranked if one is not candidate)
    note = f"Moved by hand to {candidate.machine_id}; the models had put others ahead of it."
    return replace(routing, chosen=candidate, others=others, flips=(), notes=(*routing.notes, note))


def _data(from_machine: str, to_machine: str, position: int, reason: str, **more: Any) -> dict[str, Any]:
    return {"from": from_machine, "machine_id": to_machine, "position": position, "reason": reason, **more}
