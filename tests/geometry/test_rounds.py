"""Round holes and bosses, flat-sided holes and slots, against parts whose features are known."""

import math

import numpy as np
import pytest

from tests.geometry import shapes
from workers.geometry.features import features_of
from workers.geometry.mesh import TriangleMesh
from workers.geometry.summary import summarise
from workers.geometry.walls import Surface
from workers.model.part import Axis, FeatureKind

TURNS = {"vertical": (0, 0, 0), "along x": (0, 90, 0), "along y": (90, 0, 0), "inclined": (35, 0, 20)}


def found(body, *kinds):
    mesh = body if isinstance(body, TriangleMesh) else shapes.solid(body).triangles()
    return [f for f in features_of(Surface(mesh)) if f.kind in (kinds or set(FeatureKind) - {FeatureKind.LENGTH})]


def hole_grid(facets):
    """A block with 19 through holes of 2 to 20 mm; (diameter, x, y) of each."""
    holes, x = [], 4.0
    for diameter in range(2, 21):
        x += diameter / 2 + 3
        holes.append((float(diameter), x, 15.0 + (diameter % 3)))
        x += diameter / 2
    return shapes.plate_with_holes(holes, (x + 6, 40.0, 10.0), facets), holes


def matched(features, holes, turn, tolerance):
    """(found and true, found and false) by place and diameter."""
    hits, used = 0, set()
    for diameter, x, y in holes:
        line = [
            shapes.Body.cube([1e-3] * 3).translate(p).rotate(turn).bounding_box()[:3] for p in ((x, y, 0), (x, y, 10))
        ]
        centre = np.mean(line, axis=0)
        for i, feature in enumerate(features):
            near = np.linalg.norm(np.array(feature.at_mm) - centre) < 0.3
            if i not in used and near and abs(feature.nominal_mm - diameter) <= tolerance:
                used.add(i)
                hits += 1
                break
    return hits, len(features) - hits


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("facets", [16, 32, 96])
def test_all_holes_of_a_clean_block_are_found_and_nothing_else(turn, facets):
    block, holes = hole_grid(facets)
    features = found(block.rotate(TURNS[turn]))
    hits, false = matched([f for f in features if f.kind is FeatureKind.HOLE], holes, TURNS[turn], 0.01)
    assert (hits, false, len(features)) == (19, 0, 19)
    assert {f.facets for f in features} == {facets}
    assert all(f.through for f in features)
    assert all(f.depth_mm == pytest.approx(10, abs=0.01) for f in features)
    assert all(
        f.across_flats_mm == pytest.approx(f.nominal_mm * math.cos(math.pi / facets), abs=1e-3) for f in features
    )
    expected = {"vertical": Axis.VERTICAL, "inclined": Axis.INCLINED}.get(turn, Axis.HORIZONTAL)
    assert {f.axis for f in features} == {expected}


@pytest.mark.parametrize("turn", ["vertical", "along x"])
@pytest.mark.parametrize("facets", [24, 48])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_five_micrometres_of_noise_cost_at_most_one_hole_in_twenty(turn, facets, seed):
    block, holes = hole_grid(facets)
    mesh = shapes.solid(block.rotate(TURNS[turn])).triangles()
    noise = np.random.default_rng(seed).normal(0, 0.005, mesh.vertices.shape)
    features = found(TriangleMesh(mesh.vertices + noise, mesh.faces), FeatureKind.HOLE)
    hits, false = matched(features, holes, TURNS[turn], 0.05)
    assert hits >= 0.95 * len(holes)
    assert false == 0


@pytest.mark.parametrize("turn", ["vertical", "along x"])
def test_thinned_to_half_the_triangles_the_holes_are_still_found(turn):
    block, holes = hole_grid(240)
    thinned = block.simplify(0.01)
    assert thinned.num_tri() <= 0.5 * block.num_tri()
    features = found(thinned.rotate(TURNS[turn]), FeatureKind.HOLE)
    hits, false = matched(features, holes, TURNS[turn], 0.05)
    assert hits >= 0.95 * len(holes)
    assert false == 0


@pytest.mark.parametrize(
    "body",
    [
        *(shapes.torus(12, 4, ring, tube) for ring, tube in ((24, 16), (48, 24), (64, 48), (96, 96))),
        *(shapes.torus(12, 4, 48, 24).rotate(turn) for turn in ((90, 0, 0), (30, 40, 0))),
        *(shapes.Body.sphere(10, n) for n in (24, 64, 128)),
        shapes.Body.cylinder(20, 10, 4, 64),
        shapes.box(20, 20, 10) - shapes.Body.sphere(8, 64).translate((10, 10, 12)),
    ],
)
def test_no_hole_or_boss_in_a_torus_a_ball_or_a_cone(body):
    assert found(body) == []


def test_an_octagon_pocket_is_flat_sided_and_no_round_hole():
    part = shapes.box(30, 30, 10) - shapes.Body.cylinder(20, 5, 5, 8).translate((15, 15, 4))
    (pocket,) = found(part)
    assert (pocket.kind, pocket.facets, pocket.through) == (FeatureKind.FLAT_HOLE, 8, False)
    assert pocket.across_flats_mm == pytest.approx(10 * math.cos(math.pi / 8), abs=1e-3)


# Across flats of a hexagon is sqrt(3)/2 of the size across corners; of a square, 1/sqrt(2).
@pytest.mark.parametrize(("sides", "share"), [(4, math.sqrt(0.5)), (6, math.sqrt(0.75))])
@pytest.mark.parametrize("turn", TURNS)
def test_flat_sided_holes_give_the_size_across_flats(sides, share, turn):
    part = shapes.box(30, 30, 10) - shapes.Body.cylinder(20, 5, 5, sides).rotate((0, 0, 17)).translate((14, 16, -5))
    (hole,) = found(part.rotate(TURNS[turn]))
    assert (hole.kind, hole.facets, hole.through) == (FeatureKind.FLAT_HOLE, sides, True)
    assert hole.nominal_mm == pytest.approx(10 * share, abs=1e-3)


@pytest.mark.parametrize(("depth", "through"), [(10.0, True), (4.0, False)])
def test_slots_with_round_and_with_square_ends_give_their_width(depth, through):
    bottom = 10 - depth
    rounded = shapes.stadium(12, 4, 20, at=(15, 10, bottom if not through else -1))
    square = shapes.box(10, 3, 20, (10, 20, bottom if not through else -1))
    features = found(shapes.box(30, 30, 10) - rounded - square)
    assert [f.kind for f in features] == [FeatureKind.SLOT, FeatureKind.SLOT]
    assert [f.nominal_mm for f in features] == pytest.approx([3, 4], abs=1e-3)
    assert [f.through for f in features] == [through, through]
    assert [f.depth_mm for f in features] == pytest.approx([depth, depth], abs=1e-3)


def test_blind_holes_counterbores_and_bosses():
    part = shapes.box(40, 20, 10)
    part = part - shapes.cylinder(5, 20, 48, (10, 10, -1)) - shapes.cylinder(9, 20, 48, (10, 10, 6))
    part = part - shapes.cylinder(4, 20, 48, (22, 10, 3)) + shapes.cylinder(6, 7, 48, (33, 10, 10))
    by_size = {round(f.nominal_mm): f for f in found(part)}
    assert {size: (f.kind, f.through) for size, f in by_size.items()} == {
        5: (FeatureKind.HOLE, True),
        9: (FeatureKind.HOLE, False),
        4: (FeatureKind.HOLE, False),
        6: (FeatureKind.BOSS, None),
    }
    assert [by_size[k].depth_mm for k in (5, 9, 4, 6)] == pytest.approx([6, 4, 7, 7], abs=1e-3)
    assert by_size[4].at_mm == pytest.approx((22, 10, 6.5), abs=1e-3)


def test_a_countersunk_hole_and_one_through_a_curved_wall_are_found():
    sunk = shapes.box(20, 20, 8) - shapes.cylinder(4, 20, 48, (10, 10, -1))
    sunk = sunk - shapes.Body.cylinder(2.01, 2, 4.01, 48).translate((10, 10, 6))
    (hole,) = found(sunk, FeatureKind.HOLE)
    assert hole.nominal_mm == pytest.approx(4, abs=0.01)
    pipe = shapes.cylinder(30, 20, 128) - shapes.cylinder(24, 22, 128, (0, 0, -1))
    pipe = pipe - shapes.cylinder(5, 40, 48).rotate((0, 90, 0)).translate((0, 0, 10))
    sizes = sorted(f.nominal_mm for f in found(pipe, FeatureKind.HOLE))
    assert sizes == pytest.approx([5, 24], abs=0.02) or sizes == pytest.approx([5, 5, 24], abs=0.02)


def test_names_follow_size_and_place_and_outside_lengths_close_the_list():
    part = shapes.plate_with_holes([(6.0, 40.0, 20.0), (3.0, 10.0, 10.0), (6.0, 20.0, 20.0)])
    features = features_of(Surface(shapes.solid(part).triangles()))
    assert [(f.name, round(f.nominal_mm, 3), f.at_mm and round(f.at_mm[0])) for f in features] == [
        ("hole-1", 3, 10), ("hole-2", 6, 20), ("hole-3", 6, 40),
        ("length-x", 60, None), ("length-y", 40, None), ("length-z", 8, None),
    ]  # fmt: skip


def test_a_hole_that_a_slot_cuts_open_keeps_its_facets():
    plate = shapes.box(20, 15, 4) - shapes.cylinder(3.743, 20, 24, (14, 10, -1))
    cut = plate - shapes.box(3.5, 0.303, 20, (11, 11.5, -1))
    (hole,) = [f for f in summarise(shapes.obj(cut), fmt="obj", unit="mm").features if f.kind is FeatureKind.HOLE]
    assert hole.facets == 24
    assert hole.across_flats_mm == pytest.approx(3.743 * math.cos(math.pi / 24), abs=0.01)


def test_a_perforated_plate_has_each_of_its_holes_once():
    holes = [(1.5, 3.0 + 3 * i, 3.0 + 3 * j) for i in range(12) for j in range(12)]
    plate = shapes.box(39, 39, 4) - shapes.Body.batch_boolean(
        [shapes.cylinder(d, 6, 24, (x, y, -1)) for d, x, y in holes], shapes.manifold3d.OpType.Add
    )
    features = found(plate)
    assert len(features) == 144
    assert {(f.kind, round(f.nominal_mm, 3)) for f in features} == {(FeatureKind.HOLE, 1.5)}
    assert {(round(f.at_mm[0]), round(f.at_mm[1])) for f in features} == {(int(x), int(y)) for _, x, y in holes}


def test_a_lattice_of_curved_sheets_has_no_hole_however_fine_its_mesh():
    """A gyroid (Schoen 1970) has straight lines and tunnels that look round, and no bore."""

    def depth(x, y, z):
        x, y, z = (math.pi / 5 * v for v in (x, y, z))
        return 0.4 - abs(math.sin(x) * math.cos(y) + math.sin(y) * math.cos(z) + math.sin(z) * math.cos(x))

    assert found(shapes.Body.level_set(depth, [-6.0] * 3 + [6.0] * 3, 0.3)) == []


def test_a_mesh_beyond_the_limit_says_that_nothing_was_searched_for(monkeypatch):
    part = shapes.plate_with_holes([(6.0, 20.0, 20.0)])
    monkeypatch.setattr("workers.geometry.features.MOST_TRIANGLES", 100)
    summary = summarise(shapes.stl(part), fmt="stl", unit="mm")
    assert {f.kind for f in summary.features} == {FeatureKind.LENGTH}
    assert any("not searched for" in note and "100" in note for note in summary.notes)


@pytest.mark.parametrize("corners", [7, 8, 12, 20])
@pytest.mark.parametrize("flat", [60, 90])  # degrees of the circle that a flat takes
@pytest.mark.parametrize("flats", [1, 2])
def test_a_bore_drawn_with_flats_is_no_thinned_circle(corners, flat, flats):
    """Its corners are all on one circle too, but evenly spaced."""
    share = 2 * math.pi / flats
    half = math.radians(flat / 2)
    turns = np.concatenate([k * share + np.linspace(half, share - half, corners // flats) for k in range(flats)])
    outline = shapes.manifold3d.CrossSection([[(3 * math.cos(t), 3 * math.sin(t)) for t in turns]])
    part = shapes.box(20, 20, 5) - shapes.Body.extrude(outline, 10).translate((10, 10, -1))
    assert [f for f in found(part) if f.kind is FeatureKind.HOLE] == []


@pytest.mark.parametrize("sides", [4, 5, 6])
def test_a_polygon_with_cut_corners_is_no_thinned_circle(sides):
    """Its corners are on one circle, unevenly spaced, but a turn brings them back."""
    turns = [(k + s * 0.4) * 2 * math.pi / sides for k in range(sides) for s in (-1, 1)]
    outline = shapes.manifold3d.CrossSection([[(5 * math.cos(t), 5 * math.sin(t)) for t in turns]])
    part = shapes.box(20, 20, 5) - shapes.Body.extrude(outline, 10).translate((10, 10, -1))
    assert [f for f in found(part) if f.kind is FeatureKind.HOLE] == []


def test_a_circle_that_lost_corners_unevenly_is_a_hole_of_its_own_diameter():
    turns = np.radians([0, 20, 70, 110, 130, 190, 240, 260, 310])
    outline = shapes.manifold3d.CrossSection([[(3 * math.cos(t), 3 * math.sin(t)) for t in turns]])
    (hole,) = found(shapes.box(20, 20, 5) - shapes.Body.extrude(outline, 10).translate((10, 10, -1)))
    assert (hole.kind, hole.through) == (FeatureKind.HOLE, True)
    assert hole.nominal_mm == pytest.approx(6, abs=1e-3)
    assert hole.across_flats_mm == pytest.approx(6 * math.cos(math.radians(30)), abs=1e-3)  # the widest gap is 60
