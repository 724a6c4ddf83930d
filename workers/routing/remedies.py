"""What would have to change for an unroutable job: each remedy is tried on a changed shop or job first."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from workers.model.fleet import MachineState, Nozzle, Spool
from workers.model.job import JobSpec, MaterialNeed
from workers.model.routing import Candidate, Gate, Refusal, Remedy
from workers.model.shop import Shop
from workers.process.bead import width_limits

MOST = 6  # remedies said
TRIES = 24  # changed shops tried

Best = Callable[[Shop, JobSpec], Candidate | None]


@dataclass(frozen=True, slots=True)
class _Change:
    said: str
    shop: Shop
    spec: JobSpec
    gate: Gate | None


def remedies(shop: Shop, spec: JobSpec, refused: Sequence[Refusal], best: Best) -> tuple[Remedy, ...]:
    """Changes that make the job routable, each proved by ``best`` on the changed shop; else the nearest miss."""
    found: list[Remedy] = []
    for _, change in zip(range(TRIES), _changes(shop, spec, refused), strict=False):
        candidate = best(change.shop, change.spec)
        if candidate is not None:
            found.append(Remedy(change=change.said, effect=_effect(candidate), gate=change.gate))
        if len(found) == MOST:
            break
    return tuple(found) or _nearest_miss(refused)


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
    named = set(spec.material.material_ids)
    for material in shop.materials:
        if material.id not in named:
            asked = replace(spec, material=MaterialNeed(material_ids=(material.id,)))
            yield _Change(f"Allow {material.name}", shop, asked, Gate.MATERIAL_NEED)


def _effect(candidate: Candidate) -> str:
    scores = candidate.scores
    return (
        f"would print on {candidate.machine_id} with {candidate.nozzle_id} in {candidate.material_id}, "
        f"{candidate.print_h:.1f} h, detail {scores.detail:.2f}, fit {scores.fit:.2f}, "
        f"clog risk {candidate.clog_risk:.1%}"
    )


def _nearest_miss(refused: Sequence[Refusal]) -> tuple[Remedy, ...]:
    """No single change helps: say what comes nearest, by the share that is missing."""
    measured = [r for r in refused if not isinstance(r.needed, str) and not isinstance(r.available, str)]
    if not measured:
        return ()
    nearest = min(measured, key=lambda r: abs(float(r.needed) - float(r.available)) / max(abs(float(r.needed)), 1e-9))
    subject = nearest.machine_id or nearest.nozzle_id or nearest.material_id or "the shop"
    return (
        Remedy(
            change=f"No single change here helps. Nearest: {subject}, gate {nearest.gate.value}",
            effect=f"needs {float(nearest.needed):g} {nearest.unit}, has {float(nearest.available):g} {nearest.unit}",
            gate=nearest.gate,
        ),
    )
