"""Curves of whole parts within a thousandth of the volume of those from all of 200 sections.

The reference takes no part in choosing layers or expecting some from others. Every fifth section of it is compared with
shapely's (GEOS) offsets, a second engine, at every width.
"""

import math

import manifold3d
import numpy as np
import pytest

from tests.geometry import shapes
from workers.geometry.granulometry import BEAD_WIDTHS_MM, filled, lost
from workers.geometry.layers import TOLD_ABOVE, LayerCurveSet
from workers.geometry.load import load_mesh
from workers.geometry.mend import solid_of
from workers.geometry.sections import slabs_of

NAMES = ("feature_loss", "corner_loss", "feature_gain", "corner_gain")


def wavy_walls(height=12.0, periods=6):
    """Two walls whose thickness swells and shrinks along the height, out of step."""
    z = np.linspace(0, height, 24 * periods + 1)
    walls = []
    for k, mean in enumerate((0.72, 1.13)):
        half = (mean + 0.3 * np.sin(2 * math.pi * periods * z / height + k)) / 2
        ring = [*zip(half, z, strict=True), *zip(-half[::-1], z[::-1], strict=True)]
        walls.append(manifold3d.CrossSection([ring]).extrude(6 + 2 * k).rotate((90, 0, 0)).translate((5 * k, 0, 0)))
    return walls[0] + walls[1]


def read(name, unit="mm"):
    return solid_of(load_mesh(shapes.shared(name), fmt=name.rpartition(".")[2].lower(), unit=unit))


PARTS = {
    "plate": lambda: shapes.solid(shapes.plate_with_holes([(5.0, 10.0 + 9 * i, 20.0) for i in range(5)])),
    "sphere": lambda: shapes.solid(shapes.Body.sphere(8, 48)),
    "featuretype": lambda: read("featuretype.STL", "inch"),
    "gears": lambda: read("cube_gears.3mf"),
    "wavy walls": lambda: shapes.solid(wavy_walls()),
}


def layers(solid):
    return LayerCurveSet(slabs_of(solid, solid.triangles(), 200))


def arrays(curves):
    return np.array([getattr(curves, name) for name in NAMES])


@pytest.mark.parametrize("name", PARTS)
def test_curves_are_within_a_thousandth_of_200_sections(name):
    solid = PARTS[name]()
    chosen = layers(solid).compute()
    assert np.abs(arrays(chosen.curves()) - arrays(layers(solid).every().curves())).max() < 1e-3
    assert chosen.notes() == ()


@pytest.mark.parametrize("name", PARTS)
def test_sections_are_within_a_hundredth_of_offsets(name):
    """What is lost and what is filled, and the features of both; a hundredth of the section's area."""
    every = layers(PARTS[name]()).every()
    for k in list(every.done)[:: max(len(every.done) // 5, 1)]:
        section, curves = every.slabs.outline(k), every.done[k]
        for side, change in enumerate((lost, filled)):
            true = np.array([(c.feature, c.feature + c.corner) for c in (change(section, w) for w in BEAD_WIDTHS_MM)]).T
            found = np.stack([curves.feature[side], curves.feature[side] + curves.corner[side]])
            assert np.abs(found - true).max() < 0.01 * section.area, (k, side)


def test_a_budget_that_runs_out_is_said_with_the_error_that_is_left():
    solid = PARTS["wavy walls"]()
    few = layers(solid).compute(most=20)
    assert few.left_over > TOLD_ABOVE
    assert few.notes() == (
        f"detail curves from 20 of {len(few.slabs.z)} sections: "
        f"they may be off by about {100 * few.left_over:.1g} % of the volume",
    )
