"""The same CAD parts with noise on every corner, and thinned to half their triangles."""

import igl
import numpy as np
import pytest

pytest.importorskip("OCP.BRep", reason="Open CASCADE wants libgl1 and libx11-6", exc_type=ImportError)

from tests.geometry.cad import kernel, parts
from tests.geometry.cad.matching import Tally, found_in, tallied
from workers.geometry.mend import solid_of
from workers.geometry.mesh import TriangleMesh

USUAL, EXPORT, COARSE = (0.02, 15), (0.1, 10), (0.1, 25)
FLAT = {"flat_sided": parts.flat_sided, "slots": parts.slots}


def noisy(mesh, deviation_mm, seed):
    noise = np.random.default_rng(seed).normal(0, deviation_mm, mesh.vertices.shape)
    return TriangleMesh(mesh.vertices + noise, mesh.faces)


def thinned(mesh):
    """Half the triangles, corners that remain stay where they are (manifold3d)."""
    body = solid_of(mesh).body
    tolerance = 1e-3
    while (less := body.simplify(tolerance)).num_tri() > body.num_tri() / 2:
        tolerance *= 1.3
    out = less.to_mesh64()
    return TriangleMesh(np.array(out.vert_properties)[:, :3], np.array(out.tri_verts).astype(np.int64))


def thinned_by_quadrics(mesh):
    """Half the triangles, always the edge whose loss costs least (Garland & Heckbert 1997, as in libigl)."""
    points, faces, _, _ = igl.qslim(
        np.asfortranarray(mesh.vertices), np.asfortranarray(mesh.faces.astype(np.int32)), len(mesh.faces) // 2, False
    )
    return TriangleMesh(np.ascontiguousarray(points), np.ascontiguousarray(faces).astype(np.int64))


def thinned_in_passes(mesh):
    """Half the triangles, edges in the file's order under a rising bound on the same cost (fast-simplification)."""
    import fast_simplification

    points, faces = fast_simplification.simplify(
        mesh.vertices.astype(np.float32), mesh.faces.astype(np.int32), target_reduction=0.5
    )
    return TriangleMesh(points.astype(np.float64), faces.astype(np.int64))


def quartered(mesh):
    import trimesh

    return TriangleMesh(*trimesh.remesh.subdivide(mesh.vertices, mesh.faces))


def tally_of(makes, turn, tolerance, change, within_mm=0.2):
    total = Tally()
    for make in makes:
        part = make().turned(turn)
        mesh = change(solid_of(kernel.tessellated(part.body, *tolerance)).triangles())
        total += tallied(found_in(mesh), part.truths, within_mm=within_mm)
    return total


@pytest.mark.parametrize(("turn", "tolerance"), [("vertical", USUAL), ("along x", COARSE)])
@pytest.mark.parametrize("makes", [parts.WITH_HOLES, FLAT], ids=["round", "flat"])
def test_five_micrometres_of_noise_leave_nineteen_of_twenty(turn, tolerance, makes):
    tally = tally_of(makes.values(), turn, tolerance, lambda mesh: noisy(mesh, 0.005, 7))
    assert tally.recall >= 0.95, tally.missed
    assert tally.precision >= 0.95, tally.invented
    assert tally.worst <= 0.05


def test_twenty_micrometres_of_noise_leave_five_of_six():
    """Measured: 0.93 of the holes at the usual tolerance, the smallest lost first; nothing invented."""
    makes = (parts.through, parts.blind, parts.stepped, parts.near_edges)
    tally = tally_of(makes, "vertical", USUAL, lambda mesh: noisy(mesh, 0.020, 3))
    assert tally.recall >= 0.83, tally.missed
    assert tally.precision >= 0.99, tally.invented
    assert tally.worst <= 0.05


# What is left after halving depends on the tessellation. EXPORT is a common setting for a printable file (common
# practice, no source): 0.1 mm and 10 degrees, which gives 72 facets a hole here; USUAL gives 48, COARSE 29, one of
# 0.5 mm and 40 degrees 18. Measured with corners kept and with quadrics: EXPORT 0.99 and 1.00, USUAL 1.00 and 0.97,
# COARSE 0.95 and 0.78 (0.68 within 0.05 mm), 18 facets 0.50 and 0.31: five corners are left, or they stand 0.1 mm off.
@pytest.mark.parametrize("change", [thinned, thinned_by_quadrics])
@pytest.mark.parametrize(("turn", "tolerance"), [("vertical", EXPORT), ("along x", EXPORT)])
def test_thinned_to_half_nineteen_of_twenty_are_left(turn, tolerance, change):
    tally = tally_of(parts.WITH_HOLES.values(), turn, tolerance, change)
    assert tally.true == 128
    assert tally.recall >= 0.95, tally.missed
    assert tally.precision >= 0.99, tally.invented
    assert tally.worst <= 0.05


def test_thinned_from_a_finer_chord_and_a_wider_angle_too():
    tally = tally_of(parts.WITH_HOLES.values(), "along y", USUAL, thinned_by_quadrics)
    assert tally.recall >= 0.95, tally.missed
    assert tally.precision >= 0.99, tally.invented
    assert tally.worst <= 0.05


def test_thinned_from_a_coarse_mesh_nine_of_ten_are_left():
    tally = tally_of(parts.WITH_HOLES.values(), "along x", COARSE, thinned)
    assert tally.recall >= 0.9, tally.missed
    assert tally.precision >= 0.99, tally.invented
    assert tally.worst <= 0.05


def test_thinned_by_passes_of_collapses_too():
    """This library wipes out whole bores of a part made of as few triangles as possible, such as EXPORT's plates."""
    tally = tally_of((parts.through, parts.blind, parts.stepped), "vertical", USUAL, thinned_in_passes)
    assert tally.recall >= 0.95, tally.missed
    assert tally.precision >= 0.99, tally.invented
    assert tally.worst <= 0.05


@pytest.mark.parametrize("change", [thinned, thinned_by_quadrics])
@pytest.mark.parametrize("make", FLAT.values())
def test_flat_sided_holes_and_slots_survive_where_their_flats_have_triangles_to_spare(make, change):
    """Each triangle cut in four: a plane face drawn with as few as possible has none to give, and halving ends it."""
    tally = tally_of((make,), "vertical", EXPORT, lambda mesh: change(quartered(mesh)))
    assert tally.recall >= 0.95, tally.missed
    assert tally.precision >= 0.95, tally.invented
    assert tally.worst <= 0.05
