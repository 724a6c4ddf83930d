"""Wear of tips: which tip carries which filament, how worn one is, and how far its bore has grown.

No wear rate is published for tips of filament nozzles, so lives are engineering priors (tips.csv) and only
their order is common knowledge: brass, then stainless, then hardened steel, then carbide and gem. Volume of
abrasive filament is the measure because abrasion goes with sliding distance under load (Archard 1953, J. Appl.
Phys. 24, 981: wear volume = k F s / H; from memory), and in a bore that distance goes with the volume put through.
"""

from __future__ import annotations

from functools import cache

from workers.model.fleet import TipMaterial
from workers.process.tables import number, rows

# Common practice, no source: 0 plain filament only, 1 mildly abrasive, 2 fibre-filled and the like.
_WEAR_CLASS = {
    TipMaterial.BRASS: 0,
    TipMaterial.COATED_BRASS: 1,
    TipMaterial.STAINLESS_STEEL: 1,
    TipMaterial.HARDENED_STEEL: 2,
    TipMaterial.CARBIDE: 2,
    TipMaterial.GEM: 2,
}

# Engineering priors.
WARN_SHARE = 0.8  # of its life, from which a tip's end is announced
GROWTH_AT_END_MM = 0.05  # bore growth at the end of its life; it grows in proportion to what has gone through


def wear_class(tip: TipMaterial) -> int:
    """Highest ``Material.abrasive`` that the tip carries."""
    return _WEAR_CLASS[tip]


def life_cm3(tip: TipMaterial) -> float:
    """Abrasive volume, cm^3, that a tip is good for."""
    return _lives()[tip]


def worn_share(tip: TipMaterial, abrasive_cm3: float) -> float:
    """How much of its life is used: 0 new, 1 at its end, more beyond."""
    return abrasive_cm3 / life_cm3(tip)


def bore_growth_mm(tip: TipMaterial, abrasive_cm3: float) -> float:
    """How much wider than marked the bore has become; no further than at the end of its life."""
    return GROWTH_AT_END_MM * min(worn_share(tip, abrasive_cm3), 1.0)


@cache
def _lives() -> dict[TipMaterial, float]:
    return {TipMaterial(row["tip"]): number(row["life_cm3"]) for row in rows("tips.csv")}
