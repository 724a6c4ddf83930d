"""From scores to a routing: the best candidate, the ranked others, the refused ones, and how firm it is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from workers.learning.ageing import hour_of
from workers.learning.pooling import Book
from workers.model.fleet import Material
from workers.model.job import JobSpec
from workers.model.routing import Candidate, Flip, Gate, Refusal, Routing, Scores, TimeSplit
from workers.model.shop import Shop
from workers.routing.candidate import make_candidates, time_splits
from workers.routing.cautions import cautions_for, notes_for
from workers.routing.doubt import doubt
from workers.routing.flips import Index, flips
from workers.routing.gates import material_refusals
from workers.routing.memory import keep_freed_memory
from workers.routing.refusals import refusals
from workers.routing.score import ScoreBlock, score, weights_of
from workers.routing.table import PairingTable, build_table

OTHERS = 5  # ranked others that a routing carries
TABLES = 64  # material choices kept worked out
_Group = tuple[tuple[str, ...], tuple[str, str] | None]  # materials, and the one machine and nozzle if a job names them
CHUNK = 48_000  # candidates a pass: the arrays of a pass stay in a few megabytes


class Router:
    """Routes jobs on one shop. Keeps the shop's arrays, so it is worth keeping while the revision stands.

    ``now``: UTC epoch seconds at which calibrations and spools are aged, taken at the full hour (``as_of``), so that
    an hour's routings of one job agree to the byte; None: nothing is aged.
    """

    def __init__(self, shop: Shop, now: float | None = None) -> None:
        keep_freed_memory()
        self.shop = shop
        self.as_of = hour_of(now)
        self._book = Book(shop.evidence)
        self._tables: dict[_Group, PairingTable] = {}

    def route(self, specs: Sequence[JobSpec]) -> list[Routing]:
        """A routing for each job, in order."""
        result: dict[int, Routing] = {}
        for group, members in self._groups(specs).items():
            table = self._table(*group)
            step = max(1, CHUNK // max(1, table.width.size))
            for at in range(0, len(members), step):
                part = members[at : at + step]
                result.update(zip(part, self._route_chunk(table, [specs[i] for i in part]), strict=True))
        return [result[i] for i in range(len(specs))]

    def _route_chunk(self, table: PairingTable, specs: Sequence[JobSpec]) -> list[Routing]:
        if not table.pairings:
            return [_unpaired(self, spec) for spec in specs]
        block = score(table, specs, self.shop.emphasis)
        ranking = rank(block)
        sure = doubt(block, ranking.places, ranking.count)
        candidates = make_candidates(block, specs, ranking.places, ranking.count, sure)
        firm = flips(block, ranking.chosen)
        splits = time_splits(block, specs, ranking.chosen)
        return [
            _routing(self, block, j, spec, int(ranking.chosen[j]), candidates[j], firm[j], splits[j])
            for j, spec in enumerate(specs)
        ]

    def _groups(self, specs: Sequence[JobSpec]) -> dict[_Group, list[int]]:
        groups: dict[_Group, list[int]] = {}
        for i, spec in enumerate(specs):
            groups.setdefault(_group_of(self.shop, spec), []).append(i)
        return groups

    def _table(self, material_ids: tuple[str, ...], place: tuple[str, str] | None = None) -> PairingTable:
        group = material_ids, place
        table = self._tables.get(group)
        if table is None:
            if len(self._tables) >= TABLES:
                self._tables.pop(next(iter(self._tables)))
            table = self._tables[group] = _table_of(self.shop, group, self.as_of, self._book)
        return table

    def pairings(self, specs: Sequence[JobSpec]) -> list[list[Candidate]]:
        """The best bead of every pairing that can print each job, best first; without intervals and chances."""
        result: dict[int, list[Candidate]] = {}
        for group, members in self._groups(specs).items():
            table = self._table(*group)
            step = max(1, CHUNK // max(1, table.width.size))
            for at in range(0, len(members), step):
                part = members[at : at + step]
                result.update(zip(part, self._all_of_chunk(table, [specs[i] for i in part]), strict=True))
        return [result[i] for i in range(len(specs))]

    def _all_of_chunk(self, table: PairingTable, specs: Sequence[JobSpec]) -> list[list[Candidate]]:
        if not table.pairings:
            return [[] for _ in specs]
        block = score(table, specs, self.shop.emphasis)
        ranking = rank(block, keep=len(table.pairings))
        most = int(ranking.count.max(initial=0))
        return make_candidates(block, specs, ranking.places[:, :most], ranking.count)

    def route_on(self, spec: JobSpec, pairing: tuple[str, str, str]) -> Routing | None:
        """The routing with this (machine, nozzle, material) as the choice, whatever is ranked ahead of it, the ranked
        others behind; None where the job cannot be printed there."""
        table = self._table(*_group_of(self.shop, spec))
        names = [(one.machine.id, one.nozzle.id, one.material.id) for one in table.pairings]
        if pairing not in names:
            return None
        block = score(table, [spec], self.shop.emphasis)
        ranking = rank(block, keep=len(names))
        places = ranking.places[0, : ranking.count[0]]
        chosen = places[places // table.shape[1] == names.index(pairing)]
        if not chosen.size:
            return None
        order = np.concatenate([chosen, places[places != chosen[0]]])[None, : OTHERS + 1]
        count = np.array([order.shape[1]])
        (candidates,) = make_candidates(block, [spec], order, count, doubt(block, order, count))
        (split,) = time_splits(block, [spec], chosen)
        return _routing(self, block, 0, spec, int(chosen[0]), candidates, (), split)

    def best_of(self, changed: Shop, spec: JobSpec) -> Candidate | None:
        """The best candidate on a changed shop, at the same hour."""
        return best(changed, spec, self.as_of)

    def looked_at(self, spec: JobSpec) -> tuple[ScoreBlock, Ranking] | None:
        """The scores and the ranking behind the routing of one job; None where there is no pairing at all."""
        table = self._table(*_group_of(self.shop, spec))
        if not table.pairings:
            return None
        block = score(table, [spec], self.shop.emphasis)
        return block, rank(block)


@dataclass(frozen=True, slots=True)
class Ranking:
    """places (J, n): flat index pairing * B + bead of each pairing's best bead, best first; count (J,)
    of them that are feasible; chosen (J,): the first place, -1 where nothing is feasible."""

    places: Index
    count: Index
    chosen: Index


def rank(block: ScoreBlock, keep: int = OTHERS + 1) -> Ranking:
    """The best bead of each pairing, best first, the first ``keep``; equal ones stay in the table's order."""
    beads = block.table.shape[1]
    best = block.utility.argmax(axis=2)
    value = np.take_along_axis(block.utility, best[:, :, None], axis=2)[:, :, 0]
    order = np.argsort(-value, axis=1, kind="stable")[:, :keep]
    places = order * beads + np.take_along_axis(best, order, axis=1)
    count = np.isfinite(np.take_along_axis(value, order, axis=1)).sum(axis=1)
    return Ranking(places, count, np.where(count > 0, places[:, 0], -1))


def named_materials(shop: Shop, spec: JobSpec) -> list[Material]:
    """The materials named by the job, or all of the shop's."""
    named = set(spec.material.material_ids)
    return [m for m in shop.materials if not named or m.id in named]


def allowed_materials(shop: Shop, spec: JobSpec) -> tuple[str, ...]:
    """Ids of the materials that have the properties asked for."""
    return tuple(m.id for m in named_materials(shop, spec) if next(material_refusals(spec.material, m), None) is None)


def _group_of(shop: Shop, spec: JobSpec) -> _Group:
    place = spec.place
    return allowed_materials(shop, spec), None if place is None else (place.machine_id, place.nozzle_id)


def _table_of(shop: Shop, group: _Group, now: float | None, book: Book | None = None) -> PairingTable:
    material_ids, place = group
    nozzles = None if place is None else [n for n in shop.nozzles if (n.machine_id, n.id) == place]
    return build_table(shop, material_ids, nozzles, now=now, book=book)


def best(shop: Shop, spec: JobSpec, now: float | None = None) -> Candidate | None:
    """The best candidate alone, or None: for what-if questions."""
    table = _table_of(shop, _group_of(shop, spec), now)
    if not table.pairings:
        return None
    block = score(table, [spec], shop.emphasis)
    ranking = rank(block)
    (candidates,) = make_candidates(block, [spec], ranking.places[:, :1], np.minimum(ranking.count, 1))
    return candidates[0] if candidates else None


def _routing(
    router: Router,
    block: ScoreBlock,
    j: int,
    spec: JobSpec,
    place: int,
    candidates: Sequence[Candidate],
    firm: tuple[Flip, ...],
    split: TimeSplit | None,
) -> Routing:
    shop = router.shop
    refused = refusals(block, j, spec, _left_out(shop, spec))
    chosen, pairing = None, None
    if candidates:
        chosen, pairing = candidates[0], block.table.pairings[place // block.table.shape[1]]
    detail, fit, clog, time = block.weights[j].tolist()
    return Routing(
        shop_revision=shop.revision,
        emphasis=Scores(detail=detail, fit=fit, clog=clog, time=time),
        chosen=chosen,
        others=tuple(candidates[1:]),
        refused=refused,
        flips=firm,
        split=split,
        notes=notes_for(spec, pairing, chosen) if pairing and chosen else (),
        cautions=cautions_for(spec, pairing) if pairing else (),
        pairings=block.table.shape[0],
        candidates=block.table.width.size,
        feasible=int(np.count_nonzero(block.feasible[j])),
        as_of=router.as_of,
    )


def _unpaired(router: Router, spec: JobSpec) -> Routing:
    """The routing where no machine holds a nozzle, or no material has what the job asks for."""
    shop = router.shop
    detail, fit, clog, time = weights_of(spec.emphasis or shop.emphasis)
    refused = (*_place_missed(shop, spec), *_left_out(shop, spec))
    return Routing(
        shop_revision=shop.revision,
        emphasis=Scores(detail=detail, fit=fit, clog=clog, time=time),
        chosen=None,
        others=(),
        refused=refused,
        as_of=router.as_of,
    )


def _place_missed(shop: Shop, spec: JobSpec) -> Iterator[Refusal]:
    """The one place that the job names, where there is no such nozzle."""
    place = spec.place
    if place is None or any((n.machine_id, n.id) == (place.machine_id, place.nozzle_id) for n in shop.nozzles):
        return
    nozzle = next((n for n in shop.nozzles if n.id == place.nozzle_id), None)
    now_at = "not in the shop" if nozzle is None else nozzle.machine_id or "on the shelf"
    yield Refusal(
        gate=Gate.PLACE,
        needed=place.machine_id,
        available=now_at,
        unit="",
        pairings=1,
        machine_id=place.machine_id,
        nozzle_id=place.nozzle_id,
    )


def _left_out(shop: Shop, spec: JobSpec) -> list[Refusal]:
    """Materials that lack a property the job asks for."""
    return [r for material in named_materials(shop, spec) for r in material_refusals(spec.material, material)]
