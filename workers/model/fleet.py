"""The shop's things: machines with their hotends, nozzles, materials, spools and calibrations."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class TipMaterial(StrEnum):
    """What a nozzle's tip is made of; decides how abrasive a filament it may carry."""

    BRASS = "brass"
    COATED_BRASS = "coated-brass"
    STAINLESS_STEEL = "stainless-steel"
    HARDENED_STEEL = "hardened-steel"
    CARBIDE = "carbide"
    GEM = "gem"


class FillerKind(StrEnum):
    NONE = "none"
    CARBON_FIBRE = "carbon-fibre"
    GLASS_FIBRE = "glass-fibre"
    ARAMID_FIBRE = "aramid-fibre"
    MINERAL = "mineral"
    METAL = "metal"
    WOOD = "wood"
    PHOSPHOR = "phosphor"


class MachineState(StrEnum):
    UP = "up"
    DOWN = "down"


class Caution(StrEnum):
    """Hazards of a material that a routing must say (see ``workers/routing/cautions.py``)."""

    STYRENE = "styrene"
    CAPROLACTAM = "caprolactam"
    FIBRE_DUST = "fibre-dust"
    ULTRAFINE = "ultrafine"
    METAL_DUST = "metal-dust"


@dataclass(frozen=True, slots=True, kw_only=True)
class Hotend:
    """What melts and pushes.

    flow_ceiling_mm3_s: volume flow it melts of an easy-flowing reference material (melt_factor 1).
    push_force_n: force the feeder can put on the filament before it slips.
    fitting: nozzles with the same fitting can be mounted.
    """

    fitting: str
    flow_ceiling_mm3_s: float
    nozzle_temp_max_c: float
    push_force_n: float = 60.0
    filament_mm: float = 1.75


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """A filament printer. Nozzles refer to it (``Nozzle.machine_id``), not the other way round.

    hotend_changed_at: when its hotend was last replaced; calibrations from before are stale.
    """

    id: str
    name: str
    build_x_mm: float
    build_y_mm: float
    build_z_mm: float
    hotend: Hotend
    bed_temp_max_c: float
    chamber_temp_max_c: float = 0.0  # 0: the chamber is not heated
    enclosed: bool = False
    filtered: bool = False  # full enclosure with filtered exhaust
    speed_max_mm_s: float = 150.0
    travel_speed_mm_s: float = 250.0
    acceleration_mm_s2: float = 3000.0
    nozzle_slots: int = 1
    nozzle_change_s: float = 900.0
    material_change_s: float = 300.0
    hourly_cost: float = 2.0
    state: MachineState = MachineState.UP
    state_reason: str = ""
    hotend_changed_at: float | None = None
    version: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Nozzle:
    """A nozzle: on a machine (``machine_id``, ``slot``) or on the shelf (both None).

    abrasive_cm3: abrasive filament that has gone through it so far.
    """

    id: str
    name: str
    bore_mm: float
    tip: TipMaterial
    fitting: str
    nozzle_temp_max_c: float = 300.0
    land_mm: float = 1.0
    abrasive_cm3: float = 0.0
    machine_id: str | None = None
    slot: int | None = None
    version: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Filler:
    """What is mixed into the polymer. length_p95_um: 95th percentile of fibre length or particle size."""

    kind: FillerKind = FillerKind.NONE
    weight_fraction: float = 0.0
    density_g_cm3: float = 1.8
    length_p95_um: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """A filament as bought.

    melt_factor: share of a hotend's flow ceiling that this material reaches (1: easy-flowing).
    power_law_n, consistency_pa_s_n: shear-thinning melt, tau = K * rate**n, at printing temperature.
    shrinkage_percent: linear change on cooling that scaling in preparation does not take out.
    layer_time_min_s: shortest time a layer needs to set before the next one.
    abrasive: 0 not, 1 mildly (wears brass within a spool or two), 2 strongly.
    batch_changed_at: when another batch came into use; calibrations from before are stale.
    """

    id: str
    name: str
    polymer: str
    density_g_cm3: float
    nozzle_temp_min_c: float
    nozzle_temp_max_c: float
    bed_temp_c: float
    chamber_temp_min_c: float = 0.0
    enclosure_needed: bool = False
    filler: Filler = Filler()
    abrasive: int = 0
    melt_factor: float = 1.0
    power_law_n: float = 0.5
    consistency_pa_s_n: float = 8000.0
    shrinkage_percent: float = 0.2
    layer_time_min_s: float = 6.0
    tensile_strength_mpa: float = 0.0
    heat_deflection_c: float = 0.0
    flexible: bool = False
    price_per_kg: float = 25.0
    moisture_limit_h: float | None = None  # hours out of dry storage before it prints badly
    drying_temp_c: float | None = None
    drying_h: float | None = None
    cautions: tuple[Caution, ...] = ()
    batch_changed_at: float | None = None
    version: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Spool:
    """A spool of one material: on a machine or on the shelf. dried_at: None if never dried here."""

    id: str
    material_id: str
    remaining_g: float
    machine_id: str | None = None
    slot: int | None = None
    dried_at: float | None = None
    version: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """What was measured for one (machine, nozzle, material).

    hole_allowance_mm, boss_allowance_mm: measured minus nominal diameter (holes are mostly negative).
    size_sd_mm: standard deviation of those sizes over ``measured`` features.
    flow_ceiling_mm3_s: highest flow that still came out whole. None: not measured.
    abrasive_cm3_at: the nozzle's ``abrasive_cm3`` at the time; None: not known, so wear since then is not counted.
    """

    id: str
    machine_id: str
    nozzle_id: str
    material_id: str
    calibrated_at: float
    layer_height_mm: float
    bead_width_mm: float
    nozzle_temp_c: float
    flow_ratio: float = 1.0
    pressure_advance_s: float | None = None
    flow_ceiling_mm3_s: float | None = None
    hole_allowance_mm: float | None = None
    boss_allowance_mm: float | None = None
    size_sd_mm: float | None = None
    measured: int = 0
    measured_by: str = ""
    instrument: str = ""
    abrasive_cm3_at: float | None = None
    version: int = 1
