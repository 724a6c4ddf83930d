"""The pairings of a shop, each with what is known of its state: calibration, wear, and the spool it would take."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from workers.learning.ageing import FRESH, Standing, standing
from workers.model.evidence import EvidenceKey, bore_um
from workers.model.fleet import Calibration, Machine, Material, Nozzle, Spool
from workers.model.routing import Refusal
from workers.model.shop import Shop
from workers.process import moisture, wear
from workers.routing.gates import static_refusal

HEAT_UP_S = 240.0  # engineering prior: nozzle and bed from cold to printing temperature


@dataclass(frozen=True, slots=True)
class Pairing:
    """One (machine, nozzle, material) that could print.

    calibration: its newest, standing: what that still counts for; spool: the one loaded, else the fullest;
    open_h: hours since that spool was dried, None where not known.
    """

    machine: Machine
    nozzle: Nozzle
    material: Material
    calibration: Calibration | None
    loaded: bool
    refusal: Refusal | None
    standing: Standing = FRESH
    spool: Spool | None = None
    open_h: float | None = None

    @property
    def setup_s(self) -> float:
        return HEAT_UP_S + (0.0 if self.loaded else self.machine.material_change_s)

    @property
    def worn_bore_mm(self) -> float:
        """The bore as wide as abrasive filament has made it."""
        return self.nozzle.bore_mm + wear.bore_growth_mm(self.nozzle.tip, self.nozzle.abrasive_cm3)

    @property
    def worn_share(self) -> float:
        return wear.worn_share(self.nozzle.tip, self.nozzle.abrasive_cm3)

    @property
    def clog_factor(self) -> float:
        """Factor on the clog rate for a spool that has been open too long."""
        return moisture.clog_factor(self.open_h, self.material.moisture_limit_h)

    @property
    def key(self) -> EvidenceKey:
        return EvidenceKey(
            machine_id=self.machine.id,
            nozzle_id=self.nozzle.id,
            material_id=self.material.id,
            bore_um=bore_um(self.nozzle.bore_mm),
        )


def pairings_of(
    shop: Shop, material_ids: set[str], nozzles: Sequence[Nozzle], now: float | None
) -> tuple[Pairing, ...]:
    """Every machine with every nozzle mounted on it and each of these materials, in the order of the shop."""
    calibrations, materials = _newest_calibrations(shop), [m for m in shop.materials if m.id in material_ids]
    return tuple(
        _pairing(shop, machine, nozzle, material, calibrations.get((machine.id, nozzle.id, material.id)), now)
        for machine in shop.machines
        for nozzle in nozzles
        if nozzle.machine_id == machine.id
        for material in materials
    )


def _pairing(
    shop: Shop, machine: Machine, nozzle: Nozzle, material: Material, measured: Calibration | None, now: float | None
) -> Pairing:
    spools = [spool for spool in shop.spools if spool.material_id == material.id]
    loaded = _fullest(spool for spool in spools if spool.machine_id == machine.id)
    spool = loaded or _fullest(spools)
    return Pairing(
        machine,
        nozzle,
        material,
        measured,
        loaded is not None,
        static_refusal(machine, nozzle, material),
        _standing(machine, nozzle, material, measured, now),
        spool,
        moisture.hours_since(spool.dried_at, now) if spool else None,
    )


def _standing(
    machine: Machine, nozzle: Nozzle, material: Material, measured: Calibration | None, now: float | None
) -> Standing:
    if measured is None:
        return FRESH
    before = measured.abrasive_cm3_at
    since = 0.0 if before is None else max(nozzle.abrasive_cm3 - before, 0.0)
    return standing(
        measured.calibrated_at,
        now,
        worn_since=wear.worn_share(nozzle.tip, since),
        hotend_changed_at=machine.hotend_changed_at,
        batch_changed_at=material.batch_changed_at,
    )


def _fullest(spools: Iterable[Spool]) -> Spool | None:
    return max(spools, key=lambda spool: (spool.remaining_g, spool.id), default=None)


def _newest_calibrations(shop: Shop) -> dict[tuple[str, str, str], Calibration]:
    ordered = sorted(shop.calibrations, key=lambda c: (c.calibrated_at, c.id))
    return {(c.machine_id, c.nozzle_id, c.material_id): c for c in ordered}
