"""What would have to change for an unroutable job: each remedy is tried on a changed shop or job first."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from workers.model.fleet import Machine, MachineState, Material, Nozzle, Spool
from workers.model.job import JobSpec
from workers.model.routing import Candidate, Gate, Refusal, Remedy
from workers.model.shop import Shop, find
from workers.process.bead import width_limits

MOST = 6  # remedies said
TRIES = 24  # changed shops tried

# Property fields of a material need, the words its refusal carries, and the unit.
NEEDS = (
    ("tensile_strength_min_mpa", "tensile strength", "MPa"),
    ("heat_deflection_min_c", "heat deflection temperature", "°C"),
)

Best = Callable[[Shop, JobSpec], Candidate | None]


@dataclass(frozen=True, slots=True)
class _Change:
    said: str
    shop: Shop
    spec: JobSpec
    gate: Gate | None


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
            found.append(Remedy(change=change.said, effect=_effect(shop, candidate), gate=change.gate))
        if len(found) == MOST:
            break
    return tuple(found) or _said_nearest(shop, nearest)


def _changes(shop: Shop, spec: JobSpec, refused: Sequence[Refusal]) -> Iterator[_Change]:
    gates = {refusal.gate for refusal in refused}
    if Gate.MACHINE_UP in gates:
        yield from _machines_up(shop, spec)
    if gates & {Gate.TIP_WEAR_CLASS, Gate.BORE_FOR_FILLER, Gate.CRITICAL_DETAIL, Gate.NOZZLE_TEMPERATURE}:
        yield from _shelf_nozzles(shop, spec)
    if Gate.STOCK in gates:
        yield from _restocked(shop, spec, refused)
    if Gate.CRITICAL_DETAIL in gates:
        yield from _larger_detail(shop, spec)
    if Gate.MATERIAL_NEED in gates:
        yield from _looser_needs(shop, spec, refused)
    yield from _other_materials(shop, spec)


def _machines_up(shop: Shop, spec: JobSpec) -> Iterator[_Change]:
    for machine in shop.machines:
        if machine.state is not MachineState.UP:
            up = tuple(replace(m, state=MachineState.UP) if m is machine else m for m in shop.machines)
            yield _Change(f"Bring {machine.name} back into service", replace(shop, machines=up), spec, Gate.MACHINE_UP)


def _shelf_nozzles(shop: Shop, spec: JobSpec) -> Iterator[_Change]:
    for nozzle in (n for n in shop.nozzles if n.machine_id is None):
        for machine in (m for m in shop.machines if m.hotend.fitting == nozzle.fitting):
            mounted = replace(nozzle, machine_id=machine.id, slot=1)
            changed = tuple(mounted if n is nozzle else n for n in shop.nozzles)
            yield _Change(
                f"Mount nozzle {_nozzle(nozzle)} from the shelf on {machine.name}",
                replace(shop, nozzles=changed),
                spec,
                None,
            )


def _nozzle(nozzle: Nozzle) -> str:
    return f"{nozzle.name} ({nozzle.bore_mm:g} mm, {nozzle.tip.value.replace('-', ' ')})"


def _restocked(shop: Shop, spec: JobSpec, refused: Sequence[Refusal]) -> Iterator[_Change]:
    for refusal in (r for r in refused if r.gate is Gate.STOCK and r.material_id is not None):
        needed = float(refusal.needed)
        spool = Spool(id="what-if", material_id=str(refusal.material_id), remaining_g=needed * 2.0)
        yield _Change(
            f"Buy or dry a spool of {refusal.material_id} with at least {needed:.0f} g on it",
            replace(shop, spools=(*shop.spools, spool)),
            spec,
            Gate.STOCK,
        )


def _larger_detail(shop: Shop, spec: JobSpec) -> Iterator[_Change]:
    mounted = sorted({n.bore_mm for n in shop.nozzles if n.machine_id is not None})
    for bore in mounted[:3]:
        size = width_limits(bore)[0]
        critical = tuple(replace(c, size_mm=max(c.size_mm, size)) for c in spec.critical)
        if critical != spec.critical:
            said = f"Draw the critical details at least {size:.2f} mm wide, or do not mark them critical"
            yield _Change(said, shop, replace(spec, critical=critical), Gate.CRITICAL_DETAIL)


def _other_materials(shop: Shop, spec: JobSpec) -> Iterator[_Change]:
    """Materials that were not named, as long as they have the properties asked for."""
    named = spec.material.material_ids
    for material in shop.materials if named else ():
        if material.id not in named:
            asked = replace(spec.material, material_ids=(material.id,))
            yield _Change(f"Allow {material.name}", shop, replace(spec, material=asked), Gate.MATERIAL_NEED)


def _looser_needs(shop: Shop, spec: JobSpec, refused: Sequence[Refusal]) -> Iterator[_Change]:
    """Each property that kept materials out, lowered to the best that one of them has."""
    for field, words, unit in NEEDS:
        found = [r for r in refused if r.gate is Gate.MATERIAL_NEED and r.detail == words]
        for available in sorted({float(r.available) for r in found}, reverse=True)[:3]:
            asked = replace(spec.material, **{field: available})  # type: ignore[arg-type]
            said = f"Ask for a {words} of {available:g} {unit} instead of {getattr(spec.material, field):g} {unit}"
            yield _Change(said, shop, replace(spec, material=asked), Gate.MATERIAL_NEED)


def _effect(shop: Shop, candidate: Candidate) -> str:
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
