"""What would have to change for an unroutable job: each remedy is tried on a changed shop or job first."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from workers.model.fleet import Machine, MachineState, Material, Nozzle, Spool, TipMaterial
from workers.model.job import CriticalDetail, JobSpec
from workers.model.part import FeatureKind
from workers.model.routing import Candidate, Gate, Refusal, Remedy
from workers.model.shop import Shop, find
from workers.process.bead import width_limits

MOST = 6  # remedies said
TRIES = 30  # changed shops tried

# Property fields of a material need, the words its refusal carries, and the unit.
NEEDS = (
    ("tensile_strength_min_mpa", "tensile strength", "MPa"),
    ("heat_deflection_min_c", "heat deflection temperature", "°C"),
)

OF_NOZZLES = frozenset(
    {Gate.TIP_WEAR_CLASS, Gate.WORN, Gate.BORE_FOR_FILLER, Gate.CRITICAL_DETAIL, Gate.NOZZLE_TEMPERATURE}
)
BORES_MM = (0.25, 0.3, 0.4, 0.5, 0.6, 0.8)  # bores that are tried (common practice, no source)
TIP = TipMaterial.HARDENED_STEEL

ROUND = frozenset({FeatureKind.HOLE, FeatureKind.BOSS})

Best = Callable[[Shop, JobSpec], Candidate | None]


@dataclass(frozen=True, slots=True)
class Change:
    """A changed shop or job to try, in words; and how large the change is, where it has a size."""

    said: str
    shop: Shop
    spec: JobSpec
    gate: Gate | None = None
    amount: float | None = None
    unit: str = ""


def remedies(
    shop: Shop, spec: JobSpec, refused: Sequence[Refusal], best: Best, nearest: Sequence[Refusal] = ()
) -> tuple[Remedy, ...]:
    """Changes that make the job routable, each proved by ``best`` on the changed shop.

    Where no single change helps: all that is missing at the pairing that comes ``nearest``.
    """
    found: list[Remedy] = []
    for _, change in zip(range(TRIES), _changes(shop, spec, refused), strict=False):
        candidate = best(change.shop, change.spec)
        if candidate is not None:
            effect = effect_of(change.shop, candidate)
            found.append(
                Remedy(change=change.said, effect=effect, gate=change.gate, amount=change.amount, unit=change.unit)
            )
        if len(found) == MOST:
            break
    return tuple(found) or _said_nearest(shop, nearest)


def _changes(shop: Shop, spec: JobSpec, refused: Sequence[Refusal]) -> Iterator[Change]:
    gates = {refusal.gate for refusal in refused}
    if Gate.MACHINE_UP in gates:
        yield from machines_up(shop, spec)
    if gates & OF_NOZZLES:
        yield from shelf_nozzles(shop, spec)
        if Gate.TIP_WEAR_CLASS in gates or Gate.WORN in gates:
            yield from harder_tips(shop, spec)
        if gates & {Gate.CRITICAL_DETAIL, Gate.BORE_FOR_FILLER}:
            yield from other_bores(shop, spec)
    if Gate.STOCK in gates:
        yield from _restocked(shop, spec, refused)
    if Gate.CRITICAL_DETAIL in gates:
        yield from _larger_detail(shop, spec)
    if Gate.MATERIAL_NEED in gates:
        yield from _looser_needs(shop, spec, refused)
    yield from other_materials(shop, spec)


def machines_up(shop: Shop, spec: JobSpec) -> Iterator[Change]:
    for machine in shop.machines:
        if machine.state is not MachineState.UP:
            up = tuple(replace(m, state=MachineState.UP) if m is machine else m for m in shop.machines)
            yield Change(f"Bring {machine.name} back into service", replace(shop, machines=up), spec, Gate.MACHINE_UP)


def shelf_nozzles(shop: Shop, spec: JobSpec) -> Iterator[Change]:
    for nozzle in (n for n in shop.nozzles if n.machine_id is None):
        for machine in (m for m in shop.machines if m.hotend.fitting == nozzle.fitting):
            mounted = replace(nozzle, machine_id=machine.id, slot=1)
            changed = tuple(mounted if n is nozzle else n for n in shop.nozzles)
            yield Change(
                f"Mount nozzle {_nozzle(nozzle)} from the shelf on {machine.name}",
                replace(shop, nozzles=changed),
                spec,
                amount=nozzle.bore_mm,
                unit="mm",
            )


def harder_tips(shop: Shop, spec: JobSpec) -> Iterator[Change]:
    """Each bore that is mounted, with a new tip of hardened steel, wherever it is mounted."""
    soft = [n for n in shop.nozzles if n.machine_id is not None and n.tip is not TIP]
    for bore in sorted({nozzle.bore_mm for nozzle in soft}):
        changed = tuple(
            replace(n, tip=TIP, abrasive_cm3=0.0) if n in soft and n.bore_mm == bore else n for n in shop.nozzles
        )
        said = f"Mount a {bore:g} mm nozzle with a hardened steel tip instead of a softer one"
        yield Change(said, replace(shop, nozzles=changed), spec, Gate.TIP_WEAR_CLASS, bore, "mm")


def other_bores(shop: Shop, spec: JobSpec) -> Iterator[Change]:
    """Each usual bore that is mounted nowhere, in hardened steel on every machine: the best machine for it is found."""
    mounted = {nozzle.bore_mm for nozzle in shop.nozzles if nozzle.machine_id is not None}
    for bore in BORES_MM:
        if bore not in mounted:
            added = tuple(_tried_nozzle(machine, bore) for machine in shop.machines)
            said = f"Get a {bore:g} mm nozzle with a hardened steel tip"
            yield Change(said, replace(shop, nozzles=(*shop.nozzles, *added)), spec, None, bore, "mm")


def _tried_nozzle(machine: Machine, bore_mm: float) -> Nozzle:
    name = f"a new {bore_mm:g} mm nozzle"
    fitting = machine.hotend.fitting
    return Nozzle(
        id=f"what-if-{machine.id}", name=name, bore_mm=bore_mm, tip=TIP, fitting=fitting, machine_id=machine.id, slot=1
    )


def _nozzle(nozzle: Nozzle) -> str:
    return f"{nozzle.name} ({nozzle.bore_mm:g} mm, {nozzle.tip.value.replace('-', ' ')})"


def _restocked(shop: Shop, spec: JobSpec, refused: Sequence[Refusal]) -> Iterator[Change]:
    for refusal in (r for r in refused if r.gate is Gate.STOCK and r.material_id is not None):
        needed = float(refusal.needed)
        spool = Spool(id="what-if", material_id=str(refusal.material_id), remaining_g=needed * 2.0)
        yield Change(
            f"Buy or dry a spool of {refusal.material_id} with at least {needed:.0f} g on it",
            replace(shop, spools=(*shop.spools, spool)),
            spec,
            Gate.STOCK,
            needed,
            "g",
        )


def _larger_detail(shop: Shop, spec: JobSpec) -> Iterator[Change]:
    """The critical details that are finer than the finest bead of a bore, drawn as wide as it."""
    mounted = sorted({n.bore_mm for n in shop.nozzles if n.machine_id is not None})
    for bore in mounted[:3]:
        size = width_limits(bore)[0]
        fine = [one for one in spec.critical if one.size_mm < size]
        if fine:
            critical = tuple(replace(c, size_mm=max(c.size_mm, size)) for c in spec.critical)
            said = f"Draw {' and '.join(_drawn_larger(one, size) for one in fine)}, or do not mark it critical"
            more = size - min(one.size_mm for one in fine)
            yield Change(said, shop, replace(spec, critical=critical), Gate.CRITICAL_DETAIL, more, "mm")


def _drawn_larger(detail: CriticalDetail, size_mm: float) -> str:
    """Round details are told by their radius."""
    if detail.kind in ROUND:
        return (
            f"{detail.name!r} with a radius of at least {size_mm / 2.0:.2f} mm instead of {detail.size_mm / 2.0:.2f} mm"
        )
    return f"{detail.name!r} at least {size_mm:.2f} mm wide instead of {detail.size_mm:.2f} mm"


def other_materials(shop: Shop, spec: JobSpec) -> Iterator[Change]:
    """Materials that were not named, as long as they have the properties asked for."""
    named = spec.material.material_ids
    for material in shop.materials if named else ():
        if material.id not in named:
            asked = replace(spec.material, material_ids=(material.id,))
            yield Change(f"Allow {material.name}", shop, replace(spec, material=asked), Gate.MATERIAL_NEED)


def _looser_needs(shop: Shop, spec: JobSpec, refused: Sequence[Refusal]) -> Iterator[Change]:
    """Each property that kept materials out, lowered to the best that one of them has."""
    for field, words, unit in NEEDS:
        found = [r for r in refused if r.gate is Gate.MATERIAL_NEED and r.detail == words]
        for available in sorted({float(r.available) for r in found}, reverse=True)[:3]:
            asked = replace(spec.material, **{field: available})  # type: ignore[arg-type]
            said = f"Ask for a {words} of {available:g} {unit} instead of {getattr(spec.material, field):g} {unit}"
            less = getattr(spec.material, field) - available
            yield Change(said, shop, replace(spec, material=asked), Gate.MATERIAL_NEED, less, unit)


def effect_of(shop: Shop, candidate: Candidate) -> str:
    scores = candidate.scores
    return (
        f"would print on {find(shop, Machine, candidate.machine_id).name} with "
        f"{find(shop, Nozzle, candidate.nozzle_id).name} in {find(shop, Material, candidate.material_id).name}, "
        f"{candidate.print_h:.1f} h, detail {scores.detail:.2f}, fit {scores.fit:.2f}, "
        f"clog risk {candidate.clog_risk:.1%}"
    )


def _said_nearest(shop: Shop, nearest: Sequence[Refusal]) -> tuple[Remedy, ...]:
    return tuple(
        Remedy(
            change=f"No single change here helps; what comes nearest misses {one.gate.value.replace('-', ' ')} "
            f"on {_subject(shop, one)}",
            effect=f"needs {_figure(one.needed)} {one.unit}".rstrip()
            + f", has {_figure(one.available)} {one.unit}".rstrip(),
            gate=one.gate,
        )
        for one in nearest
    )


def _figure(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:g}"


def _subject(shop: Shop, refusal: Refusal) -> str:
    if refusal.machine_id is not None:
        return find(shop, Machine, refusal.machine_id).name
    if refusal.nozzle_id is not None:
        return find(shop, Nozzle, refusal.nozzle_id).name
    return find(shop, Material, refusal.material_id or "").name
