"""How much a hotend and a bore let through: the lower of the melt limit and the pressure limit.

Go, Schiffres, Stevens & Hart 2017 (Additive Manufacturing 16, 1-11) name the limits: push, melt, move.
The melt limit does not depend on the bore; the pressure limit of a power-law melt in the land goes as
R^((3n+1)/n). Entry loss and the taper above the land are left out, so the pressure limit is optimistic.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from workers.learning.arrays import Array, floats


@dataclass(frozen=True, slots=True)
class FlowCeiling:
    """mm3_s: highest volume flow; limit: index into LIMITS of what sets it. Both of the broadcast shape."""

    mm3_s: Array
    limit: NDArray[np.int8]


LIMITS = ("melt", "pressure", "calibrated")


def land_pressure(
    flow_mm3_s: ArrayLike,
    bore_mm: ArrayLike,
    land_mm: ArrayLike,
    power_law_n: ArrayLike,
    consistency_pa_s_n: ArrayLike,
) -> Array:
    """Pressure drop, Pa, of a power-law melt in the land: (2KL/R) [((3n+1)/n) Q/(pi R^3)]^n."""
    radius, n = floats(bore_mm) / 2.0, floats(power_law_n)
    rate = (3.0 * n + 1.0) / n * floats(flow_mm3_s) / (math.pi * radius**3)
    return 2.0 * floats(consistency_pa_s_n) * floats(land_mm) / radius * rate**n


def wall_shear_rate(flow_mm3_s: ArrayLike, bore_mm: ArrayLike) -> Array:
    """Apparent wall shear rate, 1/s: 32 Q / (pi d^3) (capillary rheometry, ISO 11443; from memory)."""
    return 32.0 * floats(flow_mm3_s) / (math.pi * floats(bore_mm) ** 3)


def feed_pressure(push_force_n: ArrayLike, filament_mm: ArrayLike) -> Array:
    """Pressure, Pa, that the feeder can put on the melt through the filament."""
    return floats(push_force_n) / (math.pi / 4.0 * (floats(filament_mm) / 1000.0) ** 2)


def pressure_flow(
    pressure_pa: ArrayLike,
    bore_mm: ArrayLike,
    land_mm: ArrayLike,
    power_law_n: ArrayLike,
    consistency_pa_s_n: ArrayLike,
) -> Array:
    """Volume flow, mm^3/s, at which land_pressure reaches pressure_pa."""
    radius, n = floats(bore_mm) / 2.0, floats(power_law_n)
    stress_ratio = floats(pressure_pa) * radius / (2.0 * floats(consistency_pa_s_n) * floats(land_mm))
    return math.pi * radius**3 * n / (3.0 * n + 1.0) * stress_ratio ** (1.0 / n)


def flow_ceiling(
    hotend_flow_mm3_s: ArrayLike,
    melt_factor: ArrayLike,
    bore_mm: ArrayLike,
    land_mm: ArrayLike,
    push_force_n: ArrayLike,
    filament_mm: ArrayLike,
    power_law_n: ArrayLike,
    consistency_pa_s_n: ArrayLike,
    calibrated_mm3_s: ArrayLike = math.nan,
    calibrated_weight: ArrayLike = 1.0,
) -> FlowCeiling:
    """Highest flow, mm^3/s, and what sets it; a calibrated ceiling (nan where none) wins. Broadcasts.

    calibrated_weight: 1 for a fresh calibration; an aged one is drawn back to the model in proportion (as logs).
    """
    melt = floats(hotend_flow_mm3_s) * floats(melt_factor)
    pressure = pressure_flow(
        feed_pressure(push_force_n, filament_mm), bore_mm, land_mm, power_law_n, consistency_pa_s_n
    )
    calibrated = floats(calibrated_mm3_s)
    measured = np.isfinite(calibrated)
    modelled, weight = np.minimum(melt, pressure), floats(calibrated_weight)
    drawn = np.where(weight < 1.0, calibrated**weight * modelled ** (1.0 - weight), calibrated)
    ceiling = np.where(measured, drawn, modelled)
    limit = np.where(measured, 2, np.where(pressure < melt, 1, 0)).astype(np.int8)
    return FlowCeiling(ceiling, np.broadcast_to(limit, ceiling.shape))
