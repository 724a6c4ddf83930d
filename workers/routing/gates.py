"""Gates: hard conditions that a candidate must pass. Each refusal carries both figures.

Static gates hang on the pairing alone, job gates on the part as well, bead gates on the bead.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from workers.model.fleet import Machine, MachineState, Material, Nozzle
from workers.model.job import JobSpec, MaterialNeed
from workers.model.part import GeometrySummary
from workers.model.routing import Gate, Refusal
from workers.process.wear import life_cm3, wear_class

# Engineering prior: a bore narrower than this many 95th-percentile fibre lengths bridges too often to try.
BORE_TO_FILLER_MIN = 1.5


def static_refusal(machine: Machine, nozzle: Nozzle, material: Material) -> Refusal | None:
    """The first static gate that refuses the pairing, or None."""
    return next(static_refusals(machine, nozzle, material), None)


def static_refusals(machine: Machine, nozzle: Nozzle, material: Material) -> Iterator[Refusal]:
    """Every static gate that refuses the pairing."""
    if machine.state is not MachineState.UP:
        yield Refusal(
            gate=Gate.MACHINE_UP,
            needed="up",
            available=machine.state.value,
            unit="",
            pairings=1,
            machine_id=machine.id,
            detail=machine.state_reason,
        )
    yield from _heat_refusals(machine, nozzle, material)
    needed, has = material.abrasive, wear_class(nozzle.tip)
    if has < needed:
        yield Refusal(
            gate=Gate.TIP_WEAR_CLASS,
            needed=float(needed),
            available=float(has),
            unit="wear class",
            pairings=1,
            nozzle_id=nozzle.id,
            material_id=material.id,
            detail=nozzle.tip.value,
        )
    yield from _wear_refusals(nozzle)
    smallest_bore = round(material.filler.length_p95_um / 1000.0 * BORE_TO_FILLER_MIN, 6)
    if nozzle.bore_mm < smallest_bore:
        yield Refusal(
            gate=Gate.BORE_FOR_FILLER,
            needed=smallest_bore,
            available=nozzle.bore_mm,
            unit="mm",
            pairings=1,
            nozzle_id=nozzle.id,
            material_id=material.id,
        )


def _wear_refusals(nozzle: Nozzle) -> Iterator[Refusal]:
    if nozzle.abrasive_cm3 >= life_cm3(nozzle.tip):
        yield Refusal(
            gate=Gate.WORN,
            needed=life_cm3(nozzle.tip),
            available=nozzle.abrasive_cm3,
            unit="cm³",
            pairings=1,
            nozzle_id=nozzle.id,
            detail=f"{nozzle.tip.value}, abrasive filament put through",
        )


def _heat_refusals(machine: Machine, nozzle: Nozzle, material: Material) -> Iterator[Refusal]:
    reachable = min(machine.hotend.nozzle_temp_max_c, nozzle.nozzle_temp_max_c)
    if reachable < material.nozzle_temp_min_c:
        limited_by_nozzle = nozzle.nozzle_temp_max_c < machine.hotend.nozzle_temp_max_c
        yield Refusal(
            gate=Gate.NOZZLE_TEMPERATURE,
            needed=material.nozzle_temp_min_c,
            available=reachable,
            unit="°C",
            pairings=1,
            machine_id=None if limited_by_nozzle else machine.id,
            nozzle_id=nozzle.id if limited_by_nozzle else None,
            material_id=material.id,
        )
    if machine.bed_temp_max_c < material.bed_temp_c:
        yield Refusal(
            gate=Gate.BED_TEMPERATURE,
            needed=material.bed_temp_c,
            available=machine.bed_temp_max_c,
            unit="°C",
            pairings=1,
            machine_id=machine.id,
            material_id=material.id,
        )
    if machine.chamber_temp_max_c < material.chamber_temp_min_c:
        yield Refusal(
            gate=Gate.CHAMBER,
            needed=material.chamber_temp_min_c,
            available=machine.chamber_temp_max_c,
            unit="°C",
            pairings=1,
            machine_id=machine.id,
            material_id=material.id,
            detail="chamber temperature",
        )
    elif material.enclosure_needed and not machine.enclosed:
        yield Refusal(
            gate=Gate.CHAMBER,
            needed="enclosed",
            available="open",
            unit="",
            pairings=1,
            machine_id=machine.id,
            material_id=material.id,
        )


def material_refusals(need: MaterialNeed, material: Material) -> Iterator[Refusal]:
    """Properties that the job asks for and the material does not have."""

    def refuse(needed: float | str, available: float | str, unit: str, detail: str) -> Refusal:
        return Refusal(
            gate=Gate.MATERIAL_NEED,
            needed=needed,
            available=available,
            unit=unit,
            pairings=0,
            material_id=material.id,
            detail=detail,
        )

    strength, deflection = need.tensile_strength_min_mpa, need.heat_deflection_min_c
    if strength is not None and material.tensile_strength_mpa < strength:
        yield refuse(strength, material.tensile_strength_mpa, "MPa", "tensile strength")
    if deflection is not None and material.heat_deflection_c < deflection:
        yield refuse(deflection, material.heat_deflection_c, "°C", "heat deflection temperature")
    if need.flexible is not None and material.flexible != need.flexible:
        yield refuse(_word(need.flexible, "flexible", "stiff"), _word(material.flexible, "flexible", "stiff"), "", "")
    filled = is_fibre_filled(material)
    if need.fibre_filled is not None and filled != need.fibre_filled:
        yield refuse(_word(need.fibre_filled, "fibre-filled", "plain"), _word(filled, "fibre-filled", "plain"), "", "")


def is_fibre_filled(material: Material) -> bool:
    return material.filler.kind.value.endswith("-fibre")


def _word(flag: bool, yes: str, no: str) -> str:
    return yes if flag else no


def build_volume_refusal(summary: GeometrySummary, machine: Machine) -> Refusal:
    """The side that is most over the build volume, the part turned by a quarter about z where that helps."""
    part = sorted((summary.extent_x_mm, summary.extent_y_mm))
    room = sorted((machine.build_x_mm, machine.build_y_mm))
    axes = (
        ("height", summary.extent_z_mm, machine.build_z_mm),
        ("longer side", part[1], room[1]),
        ("shorter side", part[0], room[0]),
    )
    name, needed, has = max(axes, key=lambda axis: axis[1] - axis[2])
    return Refusal(
        gate=Gate.BUILD_VOLUME,
        needed=needed,
        available=has,
        unit="mm",
        pairings=1,
        machine_id=machine.id,
        detail=name,
    )


def stock_refusal(material: Material, grams: float, largest_spool_g: float) -> Refusal:
    """A copy is printed from one spool, so the fullest spool must hold it."""
    return Refusal(
        gate=Gate.STOCK,
        needed=round(grams, 1),
        available=round(largest_spool_g, 1),
        unit="g",
        pairings=1,
        material_id=material.id,
        detail="fullest spool",
    )


class RefusalList:
    """Collects refusals; the same figure for several pairings is said once, with their number."""

    def __init__(self) -> None:
        self._found: dict[tuple[object, ...], tuple[Refusal, int]] = {}

    def add(self, refusal: Refusal, pairings: int) -> None:
        key = (
            refusal.gate,
            refusal.machine_id,
            refusal.nozzle_id,
            refusal.material_id,
            refusal.needed,
            refusal.available,
        )
        seen = self._found.get(key)
        self._found[key] = (refusal, pairings + (seen[1] if seen is not None else 0))

    def sorted(self) -> tuple[Refusal, ...]:
        """In the order of the gates, then of the ids."""
        counted = (replace(refusal, pairings=pairings) for refusal, pairings in self._found.values())
        return tuple(
            sorted(
                counted,
                key=lambda r: (_ORDER[r.gate], r.machine_id or "", r.nozzle_id or "", r.material_id or ""),
            )
        )


_ORDER = {gate: place for place, gate in enumerate(Gate)}


def allowed_bead_width(spec: JobSpec) -> float:
    """Widest bead, mm, that still lays every detail marked critical (infinite without one)."""
    return min((detail.size_mm for detail in spec.critical), default=float("inf"))
