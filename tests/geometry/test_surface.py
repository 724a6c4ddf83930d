"""Overhangs, bridges, slopes, and the thinnest ribs and slots with their places."""

import pytest

from tests.geometry import shapes
from workers.geometry.summary import summarise
from workers.geometry.surface import longest_bridge, overhang_area, slopes_of
from workers.geometry.walls import Surface


def surface(body):
    return Surface(shapes.solid(body).triangles())


def gate(span, width=10.0):
    """Two legs and a lintel over a gap of the given span."""
    return shapes.box(span + 10, width, 15) - shapes.box(span, width + 2, 10, (5, -1, -0.001))


def test_a_gate_has_a_bridge_as_long_as_its_gap():
    for span in (4.0, 12.0, 30.0):
        assert longest_bridge(surface(gate(span))) == pytest.approx(span, rel=0.02)
        assert overhang_area(surface(gate(span))) == pytest.approx(span * 10, rel=1e-6)


def test_a_ceiling_held_all_round_is_bridged_the_short_way():
    hollow = shapes.box(40, 20, 10) - shapes.box(30, 12, 6, (5, 4, 2))
    assert longest_bridge(surface(hollow)) == pytest.approx(12, rel=0.02)


def test_a_ledge_is_an_overhang_and_no_bridge():
    ledge = shapes.box(10, 10, 20) + shapes.box(10, 10, 4, (10, 0, 12))
    assert longest_bridge(surface(ledge)) is None
    assert overhang_area(surface(ledge)) == pytest.approx(100)


def test_what_lies_on_the_bed_hangs_over_nothing():
    assert overhang_area(surface(shapes.box(9, 9, 9, (0, 0, 50)))) == 0
    assert longest_bridge(surface(shapes.box(9, 9, 9, (0, 0, 50)))) is None


@pytest.mark.parametrize(("lean", "hangs"), [(44.0, False), (46.0, True)])
def test_overhangs_start_at_45_degrees(lean, hangs):
    import math

    out = 10 * math.tan(math.radians(lean))
    funnel = shapes.Body.hull(shapes.box(10, 10, 0.001) + shapes.box(10 + out, 10, 0.001, (0, 0, 10)))
    assert (overhang_area(surface(funnel)) > 50) is hangs


def test_slopes_of_a_box_are_its_walls_and_its_flats():
    share = slopes_of(surface(shapes.box(10, 10, 20))).area_share
    assert share[0] == pytest.approx(0.8)
    assert share[-1] == pytest.approx(0.2)
    assert sum(share) == pytest.approx(1)


def test_the_thinnest_rib_and_slot_are_found_where_they_are():
    part = shapes.box(40, 30, 6) + shapes.box(12, 0.63, 5, (10, 5, 6)) + shapes.box(12, 0.9, 5, (10, 10, 6))
    part = part - shapes.box(10, 0.47, 20, (20, 20, -1)) - shapes.box(10, 1.3, 20, (20, 25, -1))
    smallest = summarise(shapes.stl(part), fmt="stl", unit="mm").smallest
    assert smallest.rib_mm == pytest.approx(0.63, abs=0.005)
    assert smallest.slot_mm == pytest.approx(0.47, abs=0.005)
    x, y, z = smallest.rib_at_mm
    assert 10 <= x <= 22
    assert 5 <= y <= 5.63
    assert 6 <= z <= 11
    x, y, z = smallest.slot_at_mm
    assert 20 <= x <= 30
    assert 20 <= y <= 20.47


def test_a_rib_finer_than_any_bead_is_measured_too():
    part = shapes.box(20, 20, 3) + shapes.box(10, 0.06, 3, (5, 5, 3))
    assert summarise(shapes.stl(part), fmt="stl", unit="mm").smallest.rib_mm == pytest.approx(0.06, abs=0.003)


@pytest.mark.parametrize(
    "body", [shapes.Body.sphere(10, 64), shapes.Body.cylinder(12, 6, 0, 64), shapes.box(20, 20, 20)]
)
def test_domes_tips_and_blocks_have_no_rib(body):
    smallest = summarise(shapes.stl(body), fmt="stl", unit="mm").smallest
    assert smallest.rib_mm is None
    assert smallest.slot_mm is None
