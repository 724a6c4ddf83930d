from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.process.parts import of_sections, one_pairing, prism, round_part, slabs_of
from workers.model.part import GeometrySummary
from workers.process.slabs import SLABS, uncompressed
from workers.process.time import print_seconds

LEVELS = np.linspace(0.001, 0.999, 250)
SHAPES = {
    "ball": round_part(20 * np.sqrt(1 - (2 * LEVELS - 1) ** 2) + 0.3, 40),
    "cone": round_part(25 * (1 - LEVELS) + 0.3, 50),
    "post on a plate": round_part(np.where(LEVELS < 0.05, 40.0, 2.5), 60),
    "bottle": round_part(np.where(LEVELS < 0.7, 20.0, 6.0) + 2 * np.sin(9 * LEVELS), 80),
}

section_lists = st.lists(
    st.tuples(st.floats(0.05, 5), st.floats(0.0, 9000), st.floats(0.0, 900)), min_size=1, max_size=60
)


@given(section_lists)
def test_merging_keeps_volume_and_outline(sections: list[tuple[float, float, float]]) -> None:
    dz, area, perimeter = np.array(sections).T
    slabs = slabs_of(of_sections(dz, area + 0.01, perimeter), 3, 0.2)
    assert slabs.dz_mm.shape == (1, SLABS)
    assert slabs.dz_mm.sum() == pytest.approx(dz.sum())
    assert (slabs.area_mm2 * slabs.dz_mm).sum() == pytest.approx((area + 0.01) @ dz)
    assert (slabs.perimeter_mm * slabs.dz_mm).sum() == pytest.approx(perimeter @ dz)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize(("shells", "infill"), [(1, 0.0), (3, 0.2), (4, 1.0)])
@pytest.mark.parametrize("layer_min_s", [0.0, 6.0, 20.0])
def test_eight_slabs_give_the_time_of_every_section(shape: str, shells: int, infill: float, layer_min_s: float) -> None:
    part, table = SHAPES[shape], one_pairing(0.45, 0.2, layer_min=layer_min_s)
    arguments = np.array([float(shells)]), np.array([infill]), table
    merged = print_seconds(slabs_of(part, shells, infill), *arguments)
    exact = print_seconds(uncompressed(part), *arguments)
    assert merged == pytest.approx(exact, rel=0.02)


def test_a_part_without_a_profile_is_a_prism_of_its_volume() -> None:
    sections = uncompressed(prism(30, 20, 10))
    assert (sections.area_mm2.item(), sections.perimeter_mm.item()) == pytest.approx((600, 100))


def test_a_prism_takes_its_outline_from_the_surface_where_known() -> None:
    """A tube of 20/16 mm, 10 mm high: outline inside and outside, 36 pi mm."""
    volume, surface = np.pi * (100 - 64) * 10, 2 * np.pi * (100 - 64) + 36 * np.pi * 10
    tube = GeometrySummary(extent_x_mm=20, extent_y_mm=20, extent_z_mm=10, volume_mm3=volume, area_mm2=surface)
    assert uncompressed(tube).perimeter_mm.item() == pytest.approx(36 * np.pi)


def test_no_outline_is_shorter_than_a_circle_s() -> None:
    """Isoperimetric inequality; a summary written by hand may contradict itself."""
    odd = GeometrySummary(extent_x_mm=5, extent_y_mm=5, extent_z_mm=1, volume_mm3=1000)
    assert uncompressed(odd).perimeter_mm.item() == pytest.approx(2 * np.sqrt(np.pi * 1000))
