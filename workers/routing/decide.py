"""From scores to a routing: the best candidate, the ranked others, the refused ones, and how firm it is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from workers.model.fleet import Material
from workers.model.job import JobSpec
from workers.model.routing import Candidate, Refusal, Routing, Scores
from workers.model.shop import Shop
from workers.routing.candidate import make_candidates, time_split
from workers.routing.cautions import cautions_for, notes_for
from workers.routing.flips import flips
from workers.routing.gates import RefusalList, material_refusals
from workers.routing.refusals import job_refusals
from workers.routing.remedies import remedies
from workers.routing.score import ScoreBlock, score
from workers.routing.table import PairingTable, build_table

OTHERS = 7  # ranked others that a routing carries
TABLES = 64  # material choices kept worked out
CHUNK = 48_000  # candidates a pass: the arrays of a pass stay in a few megabytes


class Router:
    """Routes jobs on one shop. Keeps the shop's arrays, so it is worth keeping while the revision stands."""

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self._tables: dict[tuple[str, ...], PairingTable] = {}

    def route(self, specs: Sequence[JobSpec]) -> list[Routing]:
        """A routing for each job, in order."""
        result: dict[int, Routing] = {}
        for material_ids, members in self._groups(specs).items():
            table = self._table(material_ids)
            step = max(1, CHUNK // max(1, table.width.size))
            for at in range(0, len(members), step):
                part = members[at : at + step]
                block = score(table, [specs[i] for i in part], self.shop.emphasis)
                for j, i in enumerate(part):
                    result[i] = _decide(self.shop, block, j, specs[i])
        return [result[i] for i in range(len(specs))]

    def _groups(self, specs: Sequence[JobSpec]) -> dict[tuple[str, ...], list[int]]:
        groups: dict[tuple[str, ...], list[int]] = {}
        for i, spec in enumerate(specs):
            groups.setdefault(allowed_materials(self.shop, spec), []).append(i)
        return groups

    def _table(self, material_ids: tuple[str, ...]) -> PairingTable:
        table = self._tables.get(material_ids)
        if table is None:
            if len(self._tables) >= TABLES:
                self._tables.pop(next(iter(self._tables)))
            table = self._tables[material_ids] = build_table(self.shop, material_ids)
        return table


def named_materials(shop: Shop, spec: JobSpec) -> list[Material]:
    """The materials named by the job, or all of the shop's."""
    named = set(spec.material.material_ids)
    return [m for m in shop.materials if not named or m.id in named]


def allowed_materials(shop: Shop, spec: JobSpec) -> tuple[str, ...]:
    """Ids of the materials that have the properties asked for."""
    return tuple(m.id for m in named_materials(shop, spec) if next(material_refusals(spec.material, m), None) is None)


def best(shop: Shop, spec: JobSpec) -> Candidate | None:
    """The best candidate alone, or None: for what-if questions."""
    block = score(build_table(shop, allowed_materials(shop, spec)), [spec], shop.emphasis)
    ranking = rank(block, 0)
    return make_candidates(block, 0, spec, ranking[:1])[0] if ranking else None


def _decide(shop: Shop, block: ScoreBlock, j: int, spec: JobSpec) -> Routing:
    ranking = rank(block, j)
    candidates = make_candidates(block, j, spec, ranking)
    refused = _refusals(shop, block, j, spec)
    chosen = candidates[0] if candidates else None
    detail, fit, clog, time = block.weights[j].tolist()
    return Routing(
        shop_revision=shop.revision,
        emphasis=Scores(detail=detail, fit=fit, clog=clog, time=time),
        chosen=chosen,
        others=tuple(candidates[1:]),
        refused=refused,
        flips=flips(block, j, *ranking[0]) if ranking else (),
        split=time_split(block, j, spec, *ranking[0]) if ranking else None,
        remedies=() if chosen else remedies(shop, spec, refused, best),
        notes=notes_for(block, j, spec, *ranking[0]) if ranking else (),
        cautions=cautions_for(spec, block.table.pairings[ranking[0][0]]) if ranking else (),
        pairings=block.table.shape[0],
        candidates=block.table.width.size,
        feasible=int(np.count_nonzero(block.feasible[j])),
    )


def rank(block: ScoreBlock, j: int) -> list[tuple[int, int]]:
    """(pairing, bead) of each feasible pairing's best bead, best first; equal ones in the table's order."""
    utility = block.utility[j]
    if utility.size == 0:
        return []
    best = np.argmax(utility, axis=1)
    value = utility[np.arange(len(best)), best]
    order = np.argsort(-value, kind="stable")
    return [(int(p), int(best[p])) for p in order[: OTHERS + 1] if np.isfinite(value[p])]


def _refusals(shop: Shop, block: ScoreBlock, j: int, spec: JobSpec) -> tuple[Refusal, ...]:
    found = RefusalList()
    for material in named_materials(shop, spec):
        for refusal in material_refusals(spec.material, material):
            found.add(refusal, 0)
    job_refusals(found, block, j, spec)
    return found.sorted()
