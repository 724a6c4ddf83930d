"""What a part looks like: read back by trimesh, a general mesh library, and held against the part itself."""

from __future__ import annotations

import gzip
import io

import manifold3d
import numpy as np
import pytest
import trimesh

from tests.geometry import shapes
from workers.geometry.display import MOST_TRIANGLES, display_stl
from workers.geometry.limits import MeshLimits
from workers.geometry.sandbox import run_poses, run_summary


def seen(body, most=MOST_TRIANGLES):
    read = trimesh.load(io.BytesIO(gzip.decompress(display_stl(shapes.solid(body), most))), file_type="stl")
    assert isinstance(read, trimesh.Trimesh)
    return read


def test_a_part_of_few_triangles_is_shown_as_it_is():
    plate = shapes.plate_with_holes([(6.0, 20.0, 20.0)])
    read = seen(plate)
    assert read.is_watertight
    assert read.volume == pytest.approx(shapes.solid(plate).volume_mm3, rel=1e-6)
    assert np.allclose(read.extents, (60, 40, 8))


def test_many_triangles_become_few_and_the_shape_stays():
    """A torus of ring radius 20 and tube radius 5 holds 2 pi^2 R r^2 (Pappus)."""
    read = seen(shapes.torus(20, 5, 300, 150))
    assert len(read.faces) <= MOST_TRIANGLES
    assert read.volume == pytest.approx(2 * np.pi**2 * 20 * 25, rel=0.01)


def test_what_no_collapse_makes_small_is_snapped_to_a_grid():
    """Many loose bodies keep their count whatever is collapsed; the picture stays within its bound and its box."""
    boxes = [shapes.box(1, 1, 1, at=(2.0 * i, 2.0 * j, 0.0)) for i in range(12) for j in range(12)]
    body = type(boxes[0]).batch_boolean(boxes, manifold3d.OpType.Add)
    read = seen(body, most=600)
    assert 0 < len(read.faces) <= 600
    assert np.allclose(read.extents[:2], 23, atol=2)


def test_the_sandbox_hands_it_over_beside_the_summary():
    part, kept = shapes.stl(shapes.box(30, 20, 10)), []
    run_summary(part, fmt="stl", unit="mm", limits=MeshLimits(), keep_display=kept.append)
    run_poses(part, fmt="stl", unit="mm", most=2, keep_display=kept.append)
    assert len(kept) == 2
    assert kept[0] == kept[1] == display_stl(shapes.solid(shapes.box(30, 20, 10)))
