"""The drawing of the worst layer: well-formed, described in words, with every lost region in it."""

from xml.etree import ElementTree as ET

import pytest

from tests.geometry import shapes
from workers.geometry.picture import worst_layer_svg
from workers.geometry.summary import summarise
from workers.model.part import GeometrySummary

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def summary():
    part = shapes.strips((0.3, 0.7)) - shapes.box(0.5, 2, 9, (8, 4.2, -1))
    return summarise(shapes.stl(part), fmt="stl", unit="mm")


def test_the_picture_shows_what_each_bead_loses_and_says_it_in_words(summary):
    root = ET.fromstring(worst_layer_svg(summary))
    assert root.get("role") == "img"
    labelled = root.get("aria-labelledby").split()
    assert [root.find(f"{SVG}title").get("id"), root.find(f"{SVG}desc").get("id")] == labelled
    assert "Bead 0.4 mm: 1 lost" in root.find(f"{SVG}desc").text
    panels = [g for g in root.iter(f"{SVG}g") if g.find(f"{SVG}text") is not None]
    assert len(panels) == len(summary.worst_layers[0].regions)
    assert any(p.get("class") == "lost" for p in root.iter(f"{SVG}path"))


def test_every_layer_of_the_summary_can_be_drawn(summary):
    for i in range(len(summary.worst_layers)):
        ET.fromstring(worst_layer_svg(summary, i))


def test_filled_regions_are_drawn_apart_from_lost_ones(summary):
    drawn = "".join(worst_layer_svg(summary, i) for i in range(len(summary.worst_layers)))
    assert 'class="filled"' in drawn


def test_a_part_that_loses_nothing_is_drawn_with_that_said():
    block = summarise(shapes.stl(shapes.box(20, 20, 5)), fmt="stl", unit="mm")
    root = ET.fromstring(worst_layer_svg(block))
    assert "only corners" in root.find(f"{SVG}desc").text
    assert [p.get("class") for p in root.iter(f"{SVG}path")] == ["part"]


def test_a_summary_made_by_hand_has_no_layer_to_draw():
    hand = GeometrySummary(extent_x_mm=1, extent_y_mm=1, extent_z_mm=1, volume_mm3=1)
    assert "No layer" in ET.fromstring(worst_layer_svg(hand)).find(f"{SVG}text").text


def test_lost_regions_lie_within_the_outline_and_are_bounded_in_size(summary):
    for layer in summary.worst_layers:
        xs = [x for ring in layer.outline for x, _ in ring]
        for region in layer.regions:
            rings = [*region.lost, *region.filled]
            assert rings
            assert sum(map(len, rings)) <= 4_000
            assert all(min(xs) - 0.01 <= x <= max(xs) + 0.01 for ring in region.lost for x, _ in ring)
