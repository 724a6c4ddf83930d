"""Which tips carry which filament. Classes are ordinal: no wear rate is published."""

from __future__ import annotations

from workers.model.fleet import TipMaterial

# Common practice, no source: 0 plain filament only, 1 mildly abrasive, 2 fibre-filled and the like.
_WEAR_CLASS = {
    TipMaterial.BRASS: 0,
    TipMaterial.COATED_BRASS: 1,
    TipMaterial.STAINLESS_STEEL: 1,
    TipMaterial.HARDENED_STEEL: 2,
    TipMaterial.CARBIDE: 2,
    TipMaterial.GEM: 2,
}


def wear_class(tip: TipMaterial) -> int:
    """Highest ``Material.abrasive`` that the tip carries."""
    return _WEAR_CLASS[tip]
