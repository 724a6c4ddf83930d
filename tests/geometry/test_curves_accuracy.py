"""Curves of whole parts within a thousandth of the volume of those from all of 200 sections, every width computed.

The reference takes no part in choosing layers, expecting some from others or filling in widths. A lattice of curved
sheets takes minutes that way: the benchmark compares one.
"""

import math
from concurrent.futures import ThreadPoolExecutor

import manifold3d
import numpy as np
import pytest

from tests.geometry import shapes
from workers.geometry.granulometry import LayerCurves
from workers.geometry.layers import TOLD_ABOVE, LayerCurveSet
from workers.geometry.load import load_mesh
from workers.geometry.mend import solid_of
from workers.geometry.sections import outline, slabs_of

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
    "wavy walls": lambda: shapes.solid(wavy_walls()),
}


def layers(solid):
    return LayerCurveSet(solid, slabs_of(solid, solid.triangles(), 200))


def every_layer(solid):
    """(4, 16) shares of the volume, from all slabs and every width, with nothing filled in."""
    full = layers(solid)
    sections = [outline(solid, z) for z in full.slabs.z]
    with ThreadPoolExecutor(2) as pool:
        full.done = dict(enumerate(pool.map(lambda section: LayerCurves(section, -1.0).computed(), sections)))
    return arrays(full.curves())


def arrays(curves):
    return np.array([getattr(curves, name) for name in NAMES])


@pytest.mark.parametrize("name", PARTS)
def test_curves_are_within_a_thousandth_of_200_sections(name):
    solid = PARTS[name]()
    chosen = layers(solid).compute()
    assert np.abs(arrays(chosen.curves()) - every_layer(solid)).max() < 1e-3
    assert chosen.notes() == ()


def test_a_budget_that_runs_out_is_said_with_the_error_that_is_left():
    solid = PARTS["wavy walls"]()
    few = layers(solid).compute(most=20)
    assert few.left_over > TOLD_ABOVE
    assert few.notes() == (
        f"detail curves from 20 of {len(few.slabs.z)} sections: "
        f"they may be off by about {100 * few.left_over:.1g} % of the volume",
    )
