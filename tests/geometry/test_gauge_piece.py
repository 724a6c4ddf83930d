"""The gauge piece: its volume in closed form, its features found again by our own geometry, the summary up to date."""

from __future__ import annotations

import json
import math
import struct
from dataclasses import replace

import pytest
import trimesh

from workers.geometry import gauge_piece as gauge
from workers.geometry.summary import summarise
from workers.model.codec import to_json
from workers.model.part import Trust


@pytest.fixture(scope="module")
def analysed():
    return summarise(gauge.stl(), fmt="stl", unit="mm")


def test_its_volume_is_the_closed_form(analysed):
    """Boxes, sheared boxes, L-shaped strokes and prisms on regular polygons (elementary geometry)."""
    assert gauge.solid().volume() == pytest.approx(gauge.volume_mm3(), rel=1e-9)
    assert analysed.volume_mm3 == pytest.approx(gauge.volume_mm3(), rel=1e-6)


def test_it_is_one_closed_body_with_a_hole_for_each_hole(analysed):
    assert (analysed.bodies, analysed.watertight, analysed.trust, analysed.mended) == (1, True, Trust.FULL, ())
    assert gauge.solid().genus() == len(gauge.HOLES_MM)


def test_another_library_reads_the_stl_alike():
    """trimesh: closed, of the same volume and extents."""
    mesh = trimesh.load(trimesh.util.wrap_as_stream(gauge.stl()), file_type="stl")
    mesh.merge_vertices()
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(gauge.volume_mm3(), rel=1e-6)
    assert mesh.extents == pytest.approx((*gauge.PLATE[:2], gauge.PLATE[2] + max(gauge.RIB_HIGH, gauge.BOSS_HIGH)))


def test_its_rounds_are_found_again_with_their_nominal_sizes(analysed):
    drawn = sorted((one.kind, one.nominal) for one in gauge.features() if one.facets)
    found = sorted((one.kind, round(one.nominal_mm, 3)) for one in analysed.features if one.facets)
    assert found == drawn
    assert {one.facets for one in analysed.features if one.facets} == {gauge.FACETS}


def test_its_finest_rib_and_slot_are_the_drawn_ones(analysed):
    assert analysed.smallest.rib_mm == pytest.approx(min(gauge.RIBS_MM), abs=0.005)
    assert analysed.smallest.slot_mm == pytest.approx(min(gauge.SLOTS_MM), abs=0.005)


def test_the_detail_lost_grows_with_each_grade_that_a_bead_is_too_wide_for(analysed):
    """A bead of 0.45 mm cannot lay the ribs and strokes of 0.3 and 0.4 mm: their volume over the whole, from below."""
    curves = analysed.curves
    lost = dict(zip(curves.bead_width_mm, curves.feature_loss, strict=True))
    ribs = sum(size * gauge.RIB_LONG * gauge.RIB_HIGH for size in gauge.RIBS_MM if size < 0.45)
    strokes = sum(s * (2 * gauge.STROKE_LEG - s) * gauge.STROKE_HIGH for s in gauge.STROKES_MM if s < 0.45)
    width = min(lost, key=lambda w: abs(w - 0.45))
    assert 0.4 < width < 0.5
    assert lost[width] == pytest.approx((ribs + strokes) / gauge.volume_mm3(), rel=0.15)
    assert all(a <= b for a, b in zip(curves.feature_loss, curves.feature_loss[1:], strict=False))


def test_the_walls_lean_as_drawn():
    """Sheared by tan(angle), a wall overhangs by height x tan(angle), and its top stays within the plate's length."""
    reach = gauge.LEAN_HIGH * math.tan(math.radians(max(gauge.LEANS_DEG)))
    low, high = gauge.solid().bounding_box()[0], gauge.solid().bounding_box()[3]
    assert (low, high) == pytest.approx((0.0, gauge.PLATE[0]))
    assert reach < gauge.PLATE[0]


def test_the_packaged_summary_is_what_the_analysis_says(analysed):
    """Made with ``borewright summarise gauge-piece.stl``, the worst layers left out; to six figures, since libraries
    that sum in another order differ in the last."""
    assert _to_six_figures(gauge.summary()) == _to_six_figures(replace(analysed, worst_layers=()))


def _to_six_figures(summary):
    return json.loads(to_json(summary), parse_float=lambda text: f"{float(text):.5e}")


def test_the_stl_is_binary_with_as_many_triangles_as_it_says():
    """STL: 80 bytes, a count, 50 bytes a triangle (3D Systems 1989; from memory)."""
    data = gauge.stl()
    (count,) = struct.unpack("<I", data[80:84])
    assert len(data) == 84 + 50 * count
    assert data == gauge.stl.__wrapped__()
