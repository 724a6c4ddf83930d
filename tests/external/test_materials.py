"""The invented shop's material records against what resin handbooks print (the values seen unless said otherwise)."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

import pytest

# Mould shrinkage, %, low to high; with 30 % glass or 20 % carbon the lower figure is along the flow.
MOULD_SHRINKAGE = {
    ("ABS", None): (0.4, 0.9),
    ("ASA", None): (0.4, 0.8),
    ("PC", None): (0.5, 0.8),
    ("PETG", None): (0.3, 0.5),
    ("PLA", None): (0.2, 0.5),  # memory
    ("PA6", None): (1.0, 2.2),
    ("PA6", "glass-fibre"): (0.3, 1.0),
}
# Drying, °C and hours, low to high.
DRYING = {
    "ABS": ((82, 93), (2, 4)),
    "ASA": ((82, 88), (2, 2)),
    "PA6": ((82, 82), (2, 4)),
    "PC": ((121, 121), (4, 4)),
    "PETG": ((65, 65), (4, 6)),  # memory
}
PLA_GLASS_TRANSITION_C = 55.0  # a spool must stay below it, whatever pellets are dried at


def materials() -> list[dict[str, Any]]:
    return json.loads(files("service.demo_data").joinpath("shop.json").read_text(encoding="utf-8"))["materials"]


def filler(material: dict[str, Any]) -> str | None:
    return (material.get("filler") or {}).get("kind")


@pytest.mark.parametrize(("polymer", "kind"), MOULD_SHRINKAGE)
def test_shrinkage_stays_under_the_mould_s(polymer: str, kind: str | None) -> None:
    """Change of size on cooling: a mould's figure is an upper bound, since preparation scales part of it away."""
    found = [m for m in materials() if m["polymer"] == polymer and filler(m) == kind]
    assert found
    assert all(0.0 < m["shrinkage_percent"] <= MOULD_SHRINKAGE[polymer, kind][1] for m in found)


def test_fibres_cut_the_shrinkage() -> None:
    """Along the flow three to five times (handbooks, seen)."""
    plain = {m["polymer"]: m["shrinkage_percent"] for m in materials() if filler(m) is None}
    filled = [m for m in materials() if filler(m) is not None and m["polymer"] in plain]
    assert filled
    assert all(m["shrinkage_percent"] < plain[m["polymer"]] for m in filled)


def test_polyamide_shrinks_most() -> None:
    """Semicrystalline against amorphous (any text on polymers; memory)."""
    plain = {m["polymer"]: m["shrinkage_percent"] for m in materials() if filler(m) is None}
    assert max(plain, key=lambda polymer: plain[polymer]) == "PA6"


@pytest.mark.parametrize("polymer", DRYING)
def test_drying_is_the_handbook_s(polymer: str) -> None:
    temperature, hours = DRYING[polymer]
    for material in (m for m in materials() if m["polymer"] == polymer):
        assert temperature[0] <= material["drying_temp_c"] <= temperature[1]
        assert hours[0] <= material["drying_h"] <= hours[1]


def test_pla_spools_are_dried_below_their_glass_transition() -> None:
    (pla,) = [m for m in materials() if m["polymer"] == "PLA" and filler(m) is None]
    assert pla["drying_temp_c"] < PLA_GLASS_TRANSITION_C


@pytest.mark.parametrize(
    ("polymer", "density"), [("PLA", 1.24), ("ABS", 1.04), ("PETG", 1.27), ("PC", 1.2), ("PA6", 1.14)]
)
def test_densities_are_the_usual_ones(polymer: str, density: float) -> None:
    """g/cm^3, data sheets (memory)."""
    (found,) = [m for m in materials() if m["polymer"] == polymer and filler(m) is None]
    assert found["density_g_cm3"] == pytest.approx(density, abs=0.03)


@pytest.mark.parametrize("matrix", [("pa6-cf20", 1.14), ("pa6-gf30", 1.14), ("petg-cf15", 1.27)])
def test_filled_densities_follow_the_rule_of_mixtures(matrix: tuple[str, float]) -> None:
    """1 / compound = w / filler + (1 - w) / matrix (textbook)."""
    (found,) = [m for m in materials() if m["id"] == matrix[0]]
    weight, density = found["filler"]["weight_fraction"], found["filler"]["density_g_cm3"]
    assert found["density_g_cm3"] == pytest.approx(1.0 / (weight / density + (1.0 - weight) / matrix[1]), abs=0.01)
