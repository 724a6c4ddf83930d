"""The nozzles of a study: what the shop owns and what it may buy, in kinds, and where each kind would fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from workers.model.errors import ConflictError, FieldProblem, InvalidError
from workers.model.fleet import Machine, MachineState, Nozzle
from workers.model.lineup import LineUpPrices, LineUpRequest, NozzleOffer
from workers.model.shop import Shop
from workers.planning.lineup.problem import Floats, LineUp

HOUR_S = 3600.0  # unit


@dataclass(frozen=True, slots=True, kw_only=True)
class NozzleKind:
    """Nozzles that print alike. sample: one of them; offer: where it is to be bought."""

    sample: Nozzle
    pieces: int
    nozzle_ids: tuple[str, ...] = ()
    offer: NozzleOffer | None = None

    @property
    def name(self) -> str:
        return self.sample.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """mountings: (machine, kind) by their numbers, machine by machine; today: the line-up as it is."""

    machines: tuple[Machine, ...]
    kinds: tuple[NozzleKind, ...]
    mountings: tuple[tuple[int, int], ...]
    today: LineUp

    def mounted(self, k: int) -> tuple[Machine, NozzleKind]:
        machine, kind = self.mountings[k]
        return self.machines[machine], self.kinds[kind]

    def nozzles(self, chosen: Sequence[int]) -> list[Nozzle]:
        """A nozzle for each of these mountings, on its machine."""
        pairs = (self.mounted(k) for k in chosen)
        return [replace(kind.sample, machine_id=machine.id, slot=1) for machine, kind in pairs]


def pool_of(shop: Shop, request: LineUpRequest) -> Pool:
    """Raises InvalidError for machines and offers that are not possible, ConflictError where there is nothing to do."""
    machines = _machines(shop, request.machine_ids)
    fittings = {machine.hotend.fitting for machine in machines}
    kinds = (*_owned(shop, machines, fittings), *_offered(request.offers, fittings))
    fits = [[kind.sample.fitting == machine.hotend.fitting for kind in kinds] for machine in machines]
    mountings = tuple((m, n) for m, row in enumerate(fits) for n, fit in enumerate(row) if fit)
    if not mountings:
        raise ConflictError("no nozzle, owned or offered, fits a machine of the study")
    number = {pair: k for k, pair in enumerate(mountings)}
    kind_of = {nozzle_id: n for n, kind in enumerate(kinds) for nozzle_id in kind.nozzle_ids}
    machine_of = {machine.id: m for m, machine in enumerate(machines)}
    now = {
        number[machine_of[one.machine_id], kind_of[one.id]]
        for one in shop.nozzles
        if one.machine_id in machine_of and one.id in kind_of
    }
    return Pool(machines=machines, kinds=kinds, mountings=mountings, today=tuple(sorted(now)))


def changes(pool: Pool, prices: LineUpPrices) -> Floats:
    """Cost (K,) of changing to a mounting: the machine's time and a person's; none where it is there today."""
    found = [
        pool.machines[m].nozzle_change_s / HOUR_S * (pool.machines[m].hourly_cost + prices.operator_per_h)
        for m, _ in pool.mountings
    ]
    cost = np.array(found)
    cost[list(pool.today)] = 0.0
    return cost


def purchases(pool: Pool) -> Floats:
    """Price (K,) of the nozzle of a mounting: 0 where it is owned."""
    offers = [pool.kinds[n].offer for _, n in pool.mountings]
    return np.array([offer.price if offer is not None else 0.0 for offer in offers])


def _machines(shop: Shop, wanted: Sequence[str]) -> tuple[Machine, ...]:
    """Those named, as if all were in service; else those that are."""
    known = {machine.id: machine for machine in shop.machines}
    missing = [(i, one) for i, one in enumerate(wanted) if one not in known]
    if missing:
        problems = tuple(FieldProblem(f"/machine_ids/{i}", f"no machine has the id {one!r}") for i, one in missing)
        raise InvalidError(problems[0].detail, fields=problems)
    chosen = [machine for machine in shop.machines if not wanted or machine.id in wanted]
    found = tuple(replace(m, state=MachineState.UP) for m in chosen if wanted or m.state is MachineState.UP)
    if not found:
        raise ConflictError("no machine is in service: name the machines of the study")
    return found


def _owned(shop: Shop, machines: Sequence[Machine], fittings: set[str]) -> list[NozzleKind]:
    """Those on the shelf or on a machine of the study; one that something was measured with is a kind of its own."""
    here = {machine.id for machine in machines}
    measured = {one.nozzle_id for one in shop.calibrations} | {one.key.nozzle_id for one in shop.evidence}
    alike: dict[object, list[Nozzle]] = {}
    for nozzle in shop.nozzles:
        if nozzle.fitting in fittings and (nozzle.machine_id is None or nozzle.machine_id in here):
            own = nozzle.id if nozzle.id in measured else ""
            traits = (nozzle.bore_mm, nozzle.tip, nozzle.fitting, nozzle.nozzle_temp_max_c, nozzle.land_mm)
            alike.setdefault((own, nozzle.abrasive_cm3, *traits), []).append(nozzle)
    return [
        NozzleKind(sample=group[0], pieces=len(group), nozzle_ids=tuple(one.id for one in group))
        for group in alike.values()
    ]


def _offered(offers: Sequence[NozzleOffer], fittings: set[str]) -> list[NozzleKind]:
    problems = tuple(
        FieldProblem(f"/offers/{i}/fitting", f"no machine of the study takes {offer.fitting!r}", _listed(fittings))
        for i, offer in enumerate(offers)
        if offer.fitting not in fittings
    )
    if problems:
        raise InvalidError(problems[0].detail, fields=problems)
    return [NozzleKind(sample=_sample(i, one), pieces=one.at_most, offer=one) for i, one in enumerate(offers)]


def _listed(words: set[str]) -> str:
    return ", ".join(sorted(words))


def _sample(number: int, offer: NozzleOffer) -> Nozzle:
    return Nozzle(
        id=f"offer-{number + 1}",
        name=offer.name,
        bore_mm=offer.bore_mm,
        tip=offer.tip,
        fitting=offer.fitting,
        nozzle_temp_max_c=offer.nozzle_temp_max_c,
        land_mm=offer.land_mm,
    )
