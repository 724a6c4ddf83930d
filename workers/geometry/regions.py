"""The connected regions of a section, of material and of void: a bead that is lost in one knows nothing of the others.

Opening the voids is closing the material, so one method serves both, and each region is measured by itself.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from workers.geometry.cuts import nested

_POLYGON = 3
# The void outside is bounded by a polygon of so many sides far from the material: its corners lose 6e-4 r^2 in all.
_FRAME_SIDES = 128
_FAR_MM = 5.0  # no bead of up to 2 mm reaches so far


def islands(section: Any) -> Any:
    """The polygons of a section (shapely), as an array."""
    import shapely

    parts = shapely.get_parts(shapely.get_parts(section))  # twice: what a cut leaves may hold multipolygons
    return parts[(shapely.get_type_id(parts) == _POLYGON) & ~shapely.is_empty(parts)]


def voids(section: Any, far_mm: float = _FAR_MM) -> Any:
    """What is between and around the islands of a section, as an array of polygons; none of an empty section."""
    import shapely

    rings = shapely.get_rings(shapely.reverse(shapely.orient_polygons(islands(section))))
    if not len(rings):
        return rings
    shape = nested([_frame(shapely.total_bounds(rings), far_mm), *rings])
    return islands(shape if shape.is_valid else shapely.make_valid(shape, method="structure", keep_collapsed=False))


def clipped(section: Any, box: Any) -> Any:
    """The polygons of a section in a box (4,)."""
    import shapely

    part = shapely.clip_by_rect(section, *box)
    return shapely.multipolygons(islands(part if part.is_valid else shapely.intersection(section, shapely.box(*box))))


def _frame(bounds: Any, far_mm: float) -> Any:
    """A ring, counter-clockwise, at least so far from a box."""
    import shapely

    low, high = bounds[:2], bounds[2:]
    radius = float(np.hypot(*(high - low))) / 2 + 2 * far_mm
    turn = np.arange(_FRAME_SIDES) * (2 * np.pi / _FRAME_SIDES)
    return shapely.linearrings((low + high) / 2 + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1))
