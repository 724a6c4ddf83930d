"""What every entry of a mix costs with every nozzle on every machine, from the routing's own scores.

Per entry and mounting the material and the bead of least expected cost are taken, among those that pass the gates.
Spools are taken as full and dry: a line-up outlives them. Which material is loaded when a job comes is not known, so a
change of material counts with the chance that the job before had another, jobs coming in no order.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from workers.learning.pooling import Book
from workers.model.fleet import Spool
from workers.model.job import JobSpec
from workers.model.lineup import LineUpPrices
from workers.model.shop import Shop
from workers.planning.lineup.cost import Lots, Terms, hours_of, parts_of
from workers.planning.lineup.pool import HOUR_S, Pool
from workers.planning.lineup.problem import Floats, Ints
from workers.routing.decide import allowed_materials
from workers.routing.doubt import ln_nodes
from workers.routing.pairing import HEAT_UP_S
from workers.routing.score import ScoreBlock, score
from workers.routing.table import PairingTable, build_table

FULL_SPOOL_G = 1000.0  # engineering prior: the usual spool; a fuller one in the shop counts as it is
CHUNK = 96_000  # candidates a pass
GRAM_MM3 = 1e-3  # g of a mm^3 at 1 g/cm^3
KG = 1e-3  # of a g

Told = Callable[[float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One job of the mix, expected ``count`` times. slack_h: from handing in to the due date (inf: none)."""

    spec: JobSpec
    count: int = 1
    slack_h: float = float("inf")
    job_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Matrix:
    """cost, hours (J, K) of the whole entry, cost inf where it cannot print; outside (J,)."""

    cost: Floats
    hours: Floats
    outside: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Deep:
    """The same for some mountings (J, n), open to other draws of what the models are unsure of.

    usable: whether it can print; terms: as believed; ln_detail, ln_fit, ln_clog: (J, n, nodes) logarithms of the
    scores at equally likely nodes, slower: (J, n, nodes) factors on the hours; pair: (J, n) number of the pairing,
    equal for what shares its doubt.
    """

    usable: np.ndarray
    terms: Terms
    lots: Lots
    ln_detail: np.ndarray
    ln_fit: np.ndarray
    ln_clog: np.ndarray
    slower: np.ndarray
    pair: Ints


class Mix:
    """Entries scored against a pool of nozzles. ``now``: moment at which calibrations are aged."""

    def __init__(
        self, shop: Shop, pool: Pool, entries: Sequence[Entry], prices: LineUpPrices, now: float | None
    ) -> None:
        self.entries, self.pool, self.prices = tuple(entries), pool, prices
        self._now, self._book = now, Book(shop.evidence)
        self._shop = replace(shop, machines=pool.machines, spools=_full_spools(shop))
        self._materials = [allowed_materials(self._shop, entry.spec) for entry in self.entries]
        self._share = self._material_shares()
        self.lots = lots_of(self.entries)

    def matrix(self, tell: Told = lambda share: None) -> Matrix:
        """Everything against everything. ``tell`` is called with the share done; what it raises comes through."""
        shape = (len(self.entries), len(self.pool.mountings))
        cost, hours = np.full(shape, np.inf), np.zeros(shape)
        done = 0
        for rows, table, block in self._blocks(range(shape[1])):
            lots, terms = self.lots.rows(rows, 3), self._terms(table, block)
            _, least, spent = _cheapest(block, lots, terms, self.prices, shape[1])
            cost[rows], hours[rows] = least, spent
            done += len(rows)
            tell(done / len(self.entries))
        return Matrix(cost=cost, hours=hours, outside=self.outside())

    def outside(self) -> Floats:
        """Cost (J,) of having the entry made elsewhere."""
        volume = np.array([entry.spec.part().volume_mm3 for entry in self.entries]) / 1000.0
        return (self.prices.outside_each + self.prices.outside_per_cm3 * volume) * self.lots.copies

    def deep(self, chosen: Sequence[int]) -> Deep:
        """Everything against these mountings (ascending), with what the models are unsure of."""
        jobs, n = len(self.entries), len(chosen)
        found: list[tuple[Ints, dict[str, np.ndarray]]] = []
        for rows, table, block in self._blocks(chosen):
            terms, lots = self._terms(table, block), self.lots.rows(rows, 3)
            places, least, _ = _cheapest(block, lots, terms, self.prices, n)
            found.append((rows, self._read(table, block, terms, places, np.isfinite(least))))
        return _joined(found, jobs, n, self.lots)

    def _blocks(self, chosen: Sequence[int]) -> Iterator[tuple[Ints, PairingTable, ScoreBlock]]:
        nozzles = self.pool.nozzles(chosen)
        groups: dict[tuple[str, ...], list[int]] = {}
        for j, materials in enumerate(self._materials):
            groups.setdefault(materials, []).append(j)
        for materials, members in groups.items():
            table = build_table(self._shop, materials, nozzles, now=self._now, book=self._book)
            if not table.pairings:
                continue
            step = max(1, CHUNK // table.width.size)
            for at in range(0, len(members), step):
                rows = members[at : at + step]
                specs = [self.entries[j].spec for j in rows]
                yield np.array(rows, dtype=np.int64), table, score(table, specs, self._shop.emphasis)

    def _terms(self, table: PairingTable, block: ScoreBlock) -> Terms:
        """Arrays that spread to (J, P, B)."""
        ln, share = block.ln, np.array([self._share[m.id] for m in table.materials])[table.material_of]
        change_s = np.array([m.material_change_s for m in table.machines])[table.machine_of] * (1.0 - share)
        density = np.array([m.density_g_cm3 for m in table.materials])[table.material_of]
        price = np.array([m.price_per_kg for m in table.materials])[table.material_of]
        return Terms(
            print_h=block.seconds / HOUR_S,
            risk=block.risk[:, :, None],
            fit=np.exp(ln.fit)[:, table.fit_class_of],
            sound=table.beliefs.sound[None, :, None],
            detail=np.exp(ln.detail[:, table.width_of] + ln.steps[:, table.height_of]),
            filament=(block.volume_mm3 * GRAM_MM3 * KG * (density * price))[:, :, None],
            hourly=table.hourly_cost[None, :, None],
            setup_h=((HEAT_UP_S + change_s) / HOUR_S)[None, :, None],
            operator_h=(change_s / HOUR_S)[None, :, None],
        )

    def _read(
        self, table: PairingTable, block: ScoreBlock, terms: Terms, places: Ints, usable: np.ndarray
    ) -> dict[str, np.ndarray]:
        """Terms and nodes of a block's picks."""
        jobs, beads = np.arange(len(places))[:, None], table.shape[1]
        p, b = np.divmod(places, beads)
        whole = (len(places), *table.shape)
        read = {name: np.broadcast_to(value, whole)[jobs, p, b] for name, value in terms.items()}
        detail, fit, clog, _ = ln_nodes(block, places)
        numbers = {m.id: i for i, m in enumerate(self._shop.materials)}
        material = np.array([numbers[m.id] for m in table.materials])[table.material_of]
        return read | {
            "usable": usable,
            "ln_detail": detail.astype(np.float32),
            "ln_fit": np.broadcast_to(fit, (*fit.shape[:2], fit.shape[2])).astype(np.float32),
            "ln_clog": clog.astype(np.float32),
            "slower": np.exp(table.time_nodes[p]).astype(np.float32),
            "pair": np.arange(places.shape[1]) * len(numbers) + material[p],
        }

    def _material_shares(self) -> dict[str, float]:
        """The share of each material in the jobs; one that may take any of several counts for each alike."""
        total, found = 0.0, {material.id: 0.0 for material in self._shop.materials}
        for entry, materials in zip(self.entries, self._materials, strict=True):
            total += entry.count
            for material_id in materials:
                found[material_id] += entry.count / len(materials)
        return {material_id: count / total for material_id, count in found.items()}


def lots_of(entries: Sequence[Entry]) -> Lots:
    return Lots(
        quantity=np.array([float(entry.spec.quantity) for entry in entries]),
        count=np.array([float(entry.count) for entry in entries]),
        slack_h=np.array([entry.slack_h for entry in entries]),
    )


def _full_spools(shop: Shop) -> tuple[Spool, ...]:
    most = {material.id: FULL_SPOOL_G for material in shop.materials}
    for spool in shop.spools:
        most[spool.material_id] = max(most.get(spool.material_id, 0.0), spool.remaining_g)
    return tuple(Spool(id=f"full-{i}", material_id=i, remaining_g=grams) for i, grams in most.items())


def _cheapest(
    block: ScoreBlock, lots: Lots, terms: Terms, prices: LineUpPrices, mountings: int
) -> tuple[Ints, Floats, Floats]:
    """For each job and mounting (J, K): place of its cheapest material and bead, cost (inf: none), hours."""
    hours = hours_of(terms, lots)
    cost = sum(parts_of(terms, lots, prices).values())
    shape = (len(hours), mountings, -1)
    whole = np.where(block.feasible, cost, np.inf).reshape(shape)
    column = whole.argmin(axis=2)
    least = np.take_along_axis(whole, column[:, :, None], axis=2)[:, :, 0]
    spent = np.take_along_axis(hours.reshape(shape), column[:, :, None], axis=2)[:, :, 0]
    places = column + np.arange(mountings) * whole.shape[2]
    return places, least, np.where(np.isfinite(least), spent, 0.0)


def _joined(found: Sequence[tuple[Ints, dict[str, np.ndarray]]], jobs: int, n: int, lots: Lots) -> Deep:
    """The blocks' arrays put together; jobs that no material suits stay unusable."""
    whole: dict[str, np.ndarray] = {}
    for rows, arrays in found:
        for name, values in arrays.items():
            if name not in whole:
                whole[name] = np.zeros((jobs, *values.shape[1:]), dtype=values.dtype)
            whole[name][rows] = values
    if not whole:
        raise ValueError("no job has a material: ask for none of them deeply")
    terms = Terms(**{name: whole.pop(name) for name in Terms.names()})
    return Deep(terms=terms, lots=lots, **whole)
