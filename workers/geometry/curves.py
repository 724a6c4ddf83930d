"""What beads of all widths lose and fill in one layer's section, as areas."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from workers.geometry.granulometry import BEAD_WIDTHS_MM, radius_mm
from workers.geometry.mesh import Floats
from workers.geometry.runs import opened_by_places
from workers.geometry.touching import Places

_RADII = np.array([radius_mm(width) for width in BEAD_WIDTHS_MM])
_MOST_MM = 1.05 * float(_RADII[-1])  # discs are told apart up to this radius


@dataclass(frozen=True, slots=True, eq=False)
class LayerCurves:
    """Areas in mm^2 as (2, 16): [LOSS or GAIN, width]; the sum of feature and corner rises with the width.

    places: for LOSS and for GAIN, where features are: (m, 5) number of the width, a point in it x and y, area in mm^2
    and the radius of the largest disc at that point.
    """

    feature: Floats
    corner: Floats
    places: tuple[Floats, Floats]

    @classmethod
    def of(cls, rings: list[Floats]) -> LayerCurves:
        """rings: (m, 2) in mm, outer ones counter-clockwise and holes clockwise, the first corner not repeated."""
        material = opened_by_places(Places.of(rings, _MOST_MM), _RADII)
        void = opened_by_places(Places.of([ring[::-1] for ring in rings], _MOST_MM), _RADII)
        areas = np.stack([material[0], void[0]], axis=1)
        return cls(areas[0], areas[1], (material[1], void[1]))
