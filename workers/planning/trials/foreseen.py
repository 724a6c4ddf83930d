"""What the models say of one run before it is printed: whether it can be, with which bead, in how many hours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from workers.model.fleet import Machine, Nozzle
from workers.model.job import Emphasis, JobSpec, MaterialNeed, PlaceNeed
from workers.model.part import GeometrySummary
from workers.model.routing import Refusal, Routing
from workers.model.shop import Shop
from workers.model.trial import EPSILON_MM, TrialPlan
from workers.routing.decide import Router

NOZZLES_TRIED = 4  # of one bore on one machine
EVEN = Emphasis(detail=1.0, fit=1.0, clog=1.0, time=1.0)  # there is one candidate: weights change nothing


@dataclass(frozen=True, slots=True)
class Foreseen:
    """One bore on one machine in one material. nozzle None: it cannot be printed, for ``reason``."""

    nozzle: Nozzle | None
    reason: str = ""
    bead_width_mm: float = 0.0
    layer_height_mm: float = 0.0
    print_h: float = 0.0
    material_g: float = 0.0


def foresee(
    shop: Shop, plan: TrialPlan, pieces: Sequence[GeometrySummary], machine: Machine, now: float
) -> dict[tuple[str, int], tuple[Foreseen, ...]]:
    """By material and number of the bore, piece by piece: with the first nozzle that passes every gate with all of
    them, as if it were mounted; else the reason. All are scored in one pass."""
    fitting = [nozzles_for(shop, plan, machine, bore)[:NOZZLES_TRIED] for bore in plan.bores_mm]
    there = {nozzle.id: replace(nozzle, machine_id=machine.id, slot=1) for one in fitting for nozzle in one}
    asked = [(material_id, nozzle) for material_id in plan.material_ids for nozzle in there.values()]
    router = Router(replace(shop, nozzles=tuple(there.values())), now)
    specs = [_spec(plan, piece, machine, nozzle, material_id) for material_id, nozzle in asked for piece in pieces]
    routings = iter(router.route(specs))
    said = {
        (material_id, nozzle.id): tuple(_foreseen(nozzle, next(routings)) for _ in pieces)
        for material_id, nozzle in asked
    }
    return {
        (material_id, b): _first_sound(machine, bore, [said[material_id, one.id] for one in fitting[b]])
        for material_id in plan.material_ids
        for b, bore in enumerate(plan.bores_mm)
    }


def _first_sound(machine: Machine, bore_mm: float, tried: Sequence[tuple[Foreseen, ...]]) -> tuple[Foreseen, ...]:
    """Where no nozzle prints all pieces: what keeps the last one from the first piece that it does not print."""
    for one in tried:
        if all(said.nozzle is not None for said in one):
            return one
    nothing = Foreseen(None, f"the shop has no {bore_mm:g} mm nozzle that fits {machine.name}")
    return (next(said for said in tried[-1] if said.nozzle is None) if tried else nothing,)


def nozzles_for(shop: Shop, plan: TrialPlan, machine: Machine, bore_mm: float) -> list[Nozzle]:
    """Those that fit: what is mounted there first, then the shelf, then what is mounted elsewhere."""
    fitting = [
        nozzle
        for nozzle in shop.nozzles
        if abs(nozzle.bore_mm - bore_mm) < EPSILON_MM
        and nozzle.fitting == machine.hotend.fitting
        and (not plan.nozzle_ids or nozzle.id in plan.nozzle_ids)
    ]
    return sorted(fitting, key=lambda one: (one.machine_id != machine.id, one.machine_id is not None, one.id))


def piece_spec(
    plan: TrialPlan, piece: GeometrySummary | None, material_id: str, place: PlaceNeed, part_id: str | None = None
) -> JobSpec:
    """The piece as a job with one place to go; ``piece`` None: the part stays by its id."""
    return JobSpec(
        name=plan.name,
        material=MaterialNeed(material_ids=(material_id,)),
        summary=piece,
        part_id=part_id if piece is None else None,
        emphasis=EVEN,
        shells=plan.shells,
        infill=plan.infill,
        place=place,
    )


def _spec(plan: TrialPlan, piece: GeometrySummary, machine: Machine, nozzle: Nozzle, material_id: str) -> JobSpec:
    place = PlaceNeed(
        machine_id=machine.id,
        nozzle_id=nozzle.id,
        bead_width_mm=plan.width_to_bore * nozzle.bore_mm,
        layer_height_mm=plan.layer_to_bore * nozzle.bore_mm,
    )
    return piece_spec(plan, piece, material_id, place)


def _foreseen(nozzle: Nozzle, routing: Routing) -> Foreseen:
    chosen = routing.chosen
    if chosen is None:
        return Foreseen(None, f"{nozzle.name}: {'; '.join(map(_gate, routing.refused)) or 'refused'}")
    bead = (chosen.bead_width_mm, chosen.layer_height_mm)
    return Foreseen(nozzle, "", *bead, chosen.print_h, chosen.material_g)


def _gate(refusal: Refusal) -> str:
    needs, has = (f"{figure} {refusal.unit}".rstrip() for figure in (refusal.needed, refusal.available))
    return f"{refusal.gate} needs {needs}, has {has}"
