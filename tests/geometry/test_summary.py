"""The whole way from bytes to a summary: what it holds, how far it is trusted, and what it says on the way."""

import numpy as np
import pytest

from tests.geometry import shapes
from workers.geometry.errors import MeshNotSolidError
from workers.geometry.mesh import TriangleMesh
from workers.geometry.summary import summarise
from workers.model.codec import from_json, to_json
from workers.model.part import GeometrySummary, Trust

PART = shapes.plate_with_holes([(6.0, 20.0, 20.0)]) + shapes.box(20, 0.5, 6, (30, 10, 8))


def prism(ring, height=5.0):
    """A closed prism over a ring of points, its caps as fans: rings may cross themselves."""
    n, low = len(ring), np.column_stack([ring, np.zeros(len(ring))])
    low = np.concatenate([low, [low.mean(axis=0)]])
    points = np.concatenate([low, low + np.array([0, 0, height])])
    i, j = np.arange(n), np.roll(np.arange(n), -1)
    k, m = i + n + 1, j + n + 1
    walls = np.concatenate([np.stack([i, j, m], 1), np.stack([i, m, k], 1)])
    caps = np.concatenate([np.stack([j, i, np.full(n, n)], 1), np.stack([k, m, np.full(n, 2 * n + 1)], 1)])
    return TriangleMesh(points, np.concatenate([walls, caps]))


def test_a_summary_holds_everything_the_bores_are_scored_from():
    found = summarise(shapes.stl(PART), fmt="stl", unit="mm")
    assert (found.extent_x_mm, found.extent_y_mm, found.extent_z_mm) == pytest.approx((60, 40, 14))
    assert found.volume_mm3 == pytest.approx(PART.volume(), rel=1e-6)
    assert (found.bodies, found.watertight, found.trust, found.mended) == (1, True, Trust.FULL, ())
    assert [f.name for f in found.features] == ["hole-1", "length-x", "length-y", "length-z"]
    assert found.smallest.rib_mm == pytest.approx(0.5, abs=0.003)
    assert found.profile.dz_mm == pytest.approx((8, 6))
    assert len(found.curves.bead_width_mm) == 16
    assert found.worst_layers[0].z_mm > 8
    assert from_json(to_json(found), GeometrySummary) == found


@pytest.mark.parametrize("unit", ["mm", "inch", "cm"])
def test_the_unit_is_applied_before_anything_is_measured(unit):
    scale = {"mm": 1, "inch": 25.4, "cm": 10}[unit]
    found = summarise(shapes.stl(PART, 1 / scale), fmt="stl", unit=unit)
    assert found.volume_mm3 == pytest.approx(PART.volume(), rel=1e-5)
    assert found.features[0].nominal_mm == pytest.approx(6, abs=1e-3)


def test_progress_names_the_phases_and_rises_to_a_hundred():
    told = []
    summarise(shapes.stl(PART), fmt="stl", unit="mm", progress=lambda *a: told.append(a))
    assert list(dict.fromkeys(phase for phase, _ in told)) == [
        "load", "mend", "sections", "curves", "features", "surface", "done",
    ]  # fmt: skip
    percents = [percent for _, percent in told]
    assert percents == sorted(percents)
    assert percents[-1] == 100


def test_an_open_scan_is_summarised_with_low_trust_and_says_why():
    vertices, faces = shapes.arrays(shapes.Body.sphere(10, 64))
    scan = TriangleMesh(vertices, faces[(vertices[faces][:, :, 2] > -6).all(axis=1)])
    found = summarise(shapes.stl(scan), fmt="stl", unit="mm")
    assert (found.trust, found.watertight) == (Trust.LOW, False)
    assert "openings covered" in found.mended[0]
    assert found.curves is not None


def test_an_inverted_mesh_is_summarised_like_the_upright_one():
    upright = summarise(shapes.stl(PART), fmt="stl", unit="mm")
    turned = summarise(shapes.stl(TriangleMesh(*shapes.inverted(PART))), fmt="stl", unit="mm")
    assert turned.trust is Trust.MENDED
    assert turned.volume_mm3 == pytest.approx(upright.volume_mm3)
    assert turned.curves.feature_loss == pytest.approx(upright.curves.feature_loss, abs=1e-4)


def test_a_surface_that_laps_over_itself_counts_its_sections_once():
    """A ring walked twice with an inner loop: a point inside both turns is still material once."""
    turn = np.linspace(0, 4 * np.pi, 96, endpoint=False)
    radius = 10 + 3 * np.cos(turn / 2)
    found = summarise(
        shapes.stl(prism(np.column_stack([radius * np.cos(turn), radius * np.sin(turn)]))), fmt="stl", unit="mm"
    )
    assert found.trust is Trust.LOW
    assert "crosses itself" in found.mended[-1]
    assert found.volume_mm3 < np.pi * 13**2 * 5
    assert found.volume_mm3 == pytest.approx(found.profile.area_mm2[0] * 5, rel=1e-6)


def test_a_flat_sheet_is_refused():
    square = TriangleMesh(np.array([[0.0, 0, 0], [9, 0, 0], [9, 9, 0], [0, 9, 0]]), np.array([[0, 1, 2], [0, 2, 3]]))
    with pytest.raises(MeshNotSolidError):
        summarise(shapes.stl(square), fmt="stl", unit="mm")


def test_importing_the_package_loads_no_numerical_library():
    import subprocess
    import sys

    check = "import workers.geometry, workers.geometry.errors, workers.geometry.limits, sys; print(sorted(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", check], capture_output=True, text=True, check=True).stdout
    assert not any(f"'{name}'" in loaded for name in ("numpy", "scipy", "trimesh", "shapely", "manifold3d", "numba"))
