"""Resting poses: few, stable, the same every time, and turned without changing the part."""

import numpy as np
import pytest

from tests.geometry import shapes
from workers.geometry.orientation import centre_of_mass, poses
from workers.geometry.summary import summarise_poses


def test_a_block_rests_on_its_three_kinds_of_sides_broadest_first():
    found = poses(shapes.solid(shapes.box(10, 20, 40)), most=7)
    assert [p.name for p in found[:2]] == ["as-given", "pose-1"]
    assert len(found) == 6
    feet = [round(p.foot_mm2) for p in found[1:]]
    assert feet == sorted(feet, reverse=True)
    assert sorted(set(feet) | {round(found[0].foot_mm2)}) == [200, 400, 800]
    assert {round(p.height_mm) for p in found} == {10, 20, 40}


def test_a_part_does_not_rest_where_it_would_tip():
    """A tall mast on the edge of a plate: standing on the mast's end is no pose."""
    part = shapes.box(60, 60, 4) + shapes.box(4, 4, 80, (0, 0, 4))
    for pose in poses(shapes.solid(part), most=12)[1:]:
        turned = shapes.solid(part).turned(pose.matrix())
        centre = centre_of_mass(turned.triangles().corners)
        low = turned.triangles().vertices
        foot = low[low[:, 2] < 0.01][:, :2]
        assert (foot.min(axis=0) < centre[:2]).all()
        assert (foot.max(axis=0) > centre[:2]).all()


@pytest.mark.parametrize(
    "body", [shapes.box(10, 20, 40), shapes.plate_with_holes([(8.0, 20.0, 20.0)]), shapes.torus(12, 3)]
)
def test_poses_are_rotations_that_keep_volume_and_size(body):
    solid = shapes.solid(body)
    found = poses(solid)
    assert 1 <= len(found) <= 4
    assert found == poses(solid)
    for pose in found:
        matrix = pose.matrix()
        assert matrix @ matrix.T == pytest.approx(np.eye(3), abs=1e-9)
        assert np.linalg.det(matrix) == pytest.approx(1)
        turned = solid.turned(matrix)
        assert turned.volume_mm3 == pytest.approx(solid.volume_mm3)
        assert turned.extents_mm[2] == pytest.approx(pose.height_mm, abs=1e-6)


# Centre of mass of a cone: a quarter of its height (Archimedes); of a half ball: 3/8 of its radius (from memory).
@pytest.mark.parametrize(
    ("body", "height"),
    [
        (shapes.Body.cylinder(12, 5, 0, 128), 3.0),
        (shapes.Body.sphere(10, 256).trim_by_plane((0, 0, 1), 0), 3.75),
        (shapes.box(4, 4, 9), 4.5),
    ],
)
def test_centres_of_mass(body, height):
    assert centre_of_mass(shapes.solid(body).triangles().corners)[2] == pytest.approx(height, rel=2e-3)


def test_each_pose_is_summarised():
    part = shapes.box(30, 20, 4) + shapes.box(30, 3, 12, (0, 0, 4))
    told = []
    pairs = summarise_poses(shapes.stl(part), fmt="stl", unit="mm", most=3, progress=lambda *a: told.append(a))
    assert len(pairs) == 3
    for pose, summary in pairs:
        assert summary.volume_mm3 == pytest.approx(part.volume())
        assert summary.extent_z_mm == pytest.approx(pose.height_mm, abs=1e-6)
    assert pairs[0][1].extent_z_mm == pytest.approx(16)
    percents = [percent for _, percent in told]
    assert percents == sorted(percents)
    assert percents[-1] == 100
