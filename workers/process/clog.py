"""Clogs: a Poisson process in extruded volume, its rate learnt from a stated prior.

Form: the rate falls as exp(-(bore / (c length))^3) and no opening is wholly safe (Thomas & Durian 2015,
Phys. Rev. Lett. 114, 178001). The constants are engineering priors: none is published for filled melts.
They are set to reproduce common practice (no source): chopped fibre mostly prints at 0.4 mm and all but
never clogs from 0.5 mm; unfilled filament clogs rarely from 0.3 mm. Spheres at high loading, flakes that
clump and cold cores (Luo et al. 2020, a flow limit) are outside what this model knows.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from workers.learning.arrays import Array, floats
from workers.learning.evidence import GammaBelief, chance_of_event
from workers.learning.pooling import CLOG_PRIOR_CM3, clog_prior
from workers.model.fleet import TipMaterial
from workers.process.tables import number, rows

# Engineering priors, all of them.
FILLED_RATE_PER_CM3 = 0.0055  # rate of a filled melt in a bore far below its fibres, at PHI_REF
LENGTHS_PER_BORE = 1.5  # c: the bore, in fibre lengths, at which that rate has fallen to 1/e
PHI_REF = 0.1357  # volume fraction of 20 wt% carbon fibre in PA6
DIRT_RATE_PER_CM3 = 2e-4  # dust and char, in any filament
DIRT_SCALE_MM = 0.225
FLOOR_RATE_PER_CM3 = 1e-5  # no bore is wholly safe
WEAR_LOSS_MAX_MM = 0.03  # a tip worn further is refused (wear.py)

_SMALLEST_LENGTH_MM = 1e-6  # ours: keeps a division defined for unfilled filament


def filler_volume_fraction(
    weight_fraction: ArrayLike, filler_density_g_cm3: ArrayLike, matrix_density_g_cm3: ArrayLike
) -> Array:
    """Volume fraction of a filler from its weight fraction: (w/rf) / (w/rf + (1-w)/rm)."""
    weight = floats(weight_fraction)
    filler = weight / floats(filler_density_g_cm3)
    return filler / (filler + (1.0 - weight) / floats(matrix_density_g_cm3))


def filler_volume_fraction_of_compound(
    weight_fraction: ArrayLike, filler_density_g_cm3: ArrayLike, compound_density_g_cm3: ArrayLike
) -> Array:
    """The same from the density of the filled filament: w * compound / filler."""
    weight = floats(weight_fraction)
    return np.minimum(weight * floats(compound_density_g_cm3) / floats(filler_density_g_cm3), 1.0)


def effective_bore(bore_mm: float, tip: TipMaterial, abrasive_cm3: float = 0.0) -> float:
    """Bore, mm, that the melt feels: less for a rough wall and for a lip worn by abrasive filament."""
    roughness, wear = _tip_losses()[tip]
    return max(bore_mm - roughness - min(wear * abrasive_cm3 / 1000.0, WEAR_LOSS_MAX_MM), 0.5 * bore_mm)


def rate_per_cm3(
    bore_mm: ArrayLike, fibre_length_um: ArrayLike, volume_fraction: ArrayLike, scale: ArrayLike = 1.0
) -> Array:
    """Expected clogs per cm^3 extruded. Arguments broadcast.

    bore_mm: effective bore; fibre_length_um: 95th percentile of fibre length or particle size, 0 if unfilled;
    volume_fraction: of the filler; scale: factor for what else is known (moisture, many retractions).
    """
    bore = floats(bore_mm)
    length_mm = np.maximum(floats(fibre_length_um) / 1000.0, _SMALLEST_LENGTH_MM)
    loading = floats(volume_fraction) / PHI_REF
    bridging = FILLED_RATE_PER_CM3 * loading * np.exp(-((bore / (LENGTHS_PER_BORE * length_mm)) ** 3))
    dirt = DIRT_RATE_PER_CM3 * np.exp(-((bore / DIRT_SCALE_MM) ** 3))
    return floats(scale) * (bridging + dirt + FLOOR_RATE_PER_CM3)


def prior_belief(rate: ArrayLike, worth_cm3: float = CLOG_PRIOR_CM3) -> GammaBelief:
    """What is believed of a rate before any outcome; learning.pooling corrects it."""
    return clog_prior(rate, worth_cm3)


def risk(a: Array, b: Array, volume_cm3: Array) -> Array:
    """Chance (J, P) of at least one clog in volume_cm3 (J,), for beliefs a (P,), b (P,): 1 - (b/(b+V))^a."""
    return chance_of_event(a[None, :], b[None, :], floats(volume_cm3)[:, None])


@cache
def _tip_losses() -> dict[TipMaterial, tuple[float, float]]:
    return {
        TipMaterial(row["tip"]): (number(row["roughness_loss_mm"]), number(row["wear_loss_mm_per_1000cm3"]))
        for row in rows("tips.csv")
    }
