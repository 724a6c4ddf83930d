"""Detail: morphology of simple shapes worked out by hand and by an independent geometry library."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from tests.process.parts import prism
from workers.model.part import DetailCurves, GeometrySummary, SlopeDistribution
from workers.process.detail import cusp_height_mm, detail_scores, lost_share, mean_cusp_mm, roughness_um

WIDTHS = np.round(np.linspace(0.1, 2.0, 39), 4)


def lost_parts_mm2(shape: shapely.Geometry, width_mm: float) -> float:
    """Area of whole features that an opening with a disc a hair narrower than the bead removes.

    Reference: shapely's buffers, an independent library. Corners, at most (1 - pi/4) r^2 = 0.22 mm^2 each
    at 2 mm, are left out by their size.
    """
    radius = width_mm * (1 - 1e-3) / 2
    opened = shape.buffer(-radius, quad_segs=32).buffer(radius, quad_segs=32)
    return sum(part.area for part in shapely.get_parts(shape.difference(opened)) if part.area > 0.5)


def comb() -> shapely.Geometry:
    """A 20 x 5 mm bar with ribs 0.3, 0.5, 0.8 and 1.2 mm thick and 4 mm long."""
    bar = shapely.box(0, 0, 20, 5)
    ribs = [shapely.box(2 + 4 * i, 5, 2 + 4 * i + thick, 9) for i, thick in enumerate((0.3, 0.5, 0.8, 1.2))]
    return shapely.union_all([bar, *ribs])


def curves_of(shape: shapely.Geometry) -> DetailCurves:
    """The shape's granulometry of features, as a summary would carry it."""
    feature = np.array([lost_parts_mm2(shape, w) for w in WIDTHS]) / shape.area
    none = (0.0,) * len(WIDTHS)
    return DetailCurves(
        bead_width_mm=tuple(WIDTHS),
        feature_loss=tuple(feature),
        corner_loss=none,
        feature_gain=none,
        corner_gain=none,
    )


def with_curves(curves: DetailCurves) -> GeometrySummary:
    block = prism(20, 9, 3)
    return GeometrySummary(
        extent_x_mm=block.extent_x_mm,
        extent_y_mm=block.extent_y_mm,
        extent_z_mm=block.extent_z_mm,
        volume_mm3=block.volume_mm3,
        curves=curves,
    )


def test_ribs_are_lost_one_after_the_other() -> None:
    """Opening (Matheron 1975; Serra 1982): a 0.3 mm rib goes under a 0.4 mm disc, a 0.5 mm rib stays."""
    retained = 1 - detail_scores(with_curves(curves_of(comb())), np.array([0.25, 0.4, 0.6, 1.0, 1.5]))
    ribs = np.array([0.0, 0.3, 0.8, 1.6, 2.8]) * 4  # mm^2 lost by hand: each rib is 4 mm long
    assert retained == pytest.approx(ribs / (ribs[-1] + 0.002 * comb().area), abs=0.03)


def test_a_rib_exactly_one_bead_wide_counts_as_kept() -> None:
    """Ties: the curve stands for a bead a hair narrower, so 0.5 mm lays the 0.5 mm rib and 0.51 does not."""
    kept, lost = lost_share(curves_of(comb()), np.array([0.5, 0.51]))
    assert (lost - kept) * comb().area == pytest.approx(0.5 * 4, rel=0.05)


def test_loss_never_falls_with_the_bead() -> None:
    """Openings are increasing (Serra 1982): a wider disc never keeps more."""
    beads = np.linspace(0.05, 2.2, 500)
    assert (np.diff(detail_scores(with_curves(curves_of(comb())), beads)) <= 1e-12).all()


def test_cusp_height_at_45_degrees() -> None:
    """t |n_z|: 200 um at 45 degrees 141.421 um, Ra a quarter, 35.355 um (Dolenc & Makela 1994, second-hand)."""
    cusp = cusp_height_mm(0.2, math.cos(math.radians(45)))
    assert cusp == pytest.approx(0.141421, rel=1e-5)
    assert roughness_um(cusp) == pytest.approx(35.355, rel=1e-4)


def test_level_faces_and_walls_have_no_cusps() -> None:
    """Dolenc & Makela 1994: a level face has none; a wall has none since n_z is 0."""
    assert cusp_height_mm(0.2, np.array([1.0, -1.0, 0.0])) == pytest.approx([0, 0, 0])


def test_mean_cusp_of_a_sphere() -> None:
    """|n_z| of a sphere is uniform on [0, 1] (Archimedes), so its mean is 1/2, less the level cap's bin."""
    bins = 200
    sphere = SlopeDistribution(area_share=(1 / bins,) * bins)
    assert mean_cusp_mm(0.2, sphere) == pytest.approx(0.1, rel=0.011)
