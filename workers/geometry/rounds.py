"""Round holes and bosses: walls whose corners lie on a circle, all the way round, with sharp ends.

Facets find the walls (any tessellation of nine facets or more, noise included); the circle is fitted to the corners
seen along the axis, which is the section through them. A torus, a sphere or a fillet has such walls too, but they run
smoothly on at their ends; an octagon's faces turn too sharply to be one wall.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from workers.geometry.mesh import Floats
from workers.geometry.walls import SMOOTH_COS, Surface, Wall, walls
from workers.model.part import Axis, FeatureKind

_WIDEST_GAP = math.radians(62.4)  # no whole number of usual facets, so that rounding never decides
# A corner may be off the circle by this, or this share of the radius: room for 20 um of noise.
_OFF_MM, _OFF_SHARE = 0.03, 0.005
_LEAST_MM = 0.3  # a smaller circle is below what any bead resolves


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """A feature with a wall: at (3,) the middle of its axis, size and depth in mm."""

    kind: FeatureKind
    size_mm: float
    depth_mm: float
    at: Floats
    direction: Floats
    through: bool | None = None
    facets: int | None = None
    across_flats_mm: float | None = None


def rounds_of(surface: Surface, axes: list[Floats]) -> list[Found]:
    """All round holes and bosses around the given axes."""
    found: list[Found] = []
    smooth = surface.turn_cos > SMOOTH_COS
    for axis in axes:
        for wall in walls(surface, axis, smooth):
            one = _round(wall)
            if one is not None and not any(same_place(one, other) for other in found):
                found.append(one)
    return found


def same_place(one: Found, other: Found) -> bool:
    """Whether two finds are the same wall seen around two nearly equal axes."""
    near = np.linalg.norm(one.at - other.at) < 0.1 * min(one.size_mm, other.size_mm)
    return bool(near and abs(one.size_mm - other.size_mm) < 0.05 * one.size_mm and one.kind is other.kind)


def _round(wall: Wall) -> Found | None:
    if wall.widest_gap() > _WIDEST_GAP:
        return None
    centre, radius = fitted_circle(wall.flat)
    off = np.abs(np.linalg.norm(wall.flat - centre, axis=1) - radius)
    if 2 * radius < _LEAST_MM or np.quantile(off, 0.95) > max(_OFF_MM, _OFF_SHARE * radius):
        return None
    outward = ((wall.middles - centre) * wall.facing).sum(axis=1) / radius
    lean = float(np.average(outward, weights=wall.areas))
    span = wall.span()
    if abs(lean) < 0.85 or span is None:
        return None
    kind = FeatureKind.BOSS if lean > 0 else FeatureKind.HOLE
    facets = _facets(wall, centre)
    return Found(
        kind,
        2 * radius,
        span[1] - span[0],
        wall.plane @ centre + wall.axis * (span[0] + span[1]) / 2,
        wall.axis,
        is_through(wall) if kind is FeatureKind.HOLE else None,
        facets,
        2 * radius * math.cos(math.pi / facets),
    )


def fitted_circle(points: Floats) -> tuple[Floats, float]:
    """Centre and radius of the least-squares circle (Kasa 1976: linear in centre and r^2 - |c|^2)."""
    middle = points.mean(axis=0)
    local = points - middle
    design = np.column_stack([2 * local, np.ones(len(local))])
    (x, y, rest), *_ = np.linalg.lstsq(design, (local**2).sum(axis=1), rcond=None)
    return middle + np.array([x, y]), math.sqrt(max(float(rest + x * x + y * y), 0.0))


def _facets(wall: Wall, centre: Floats) -> int:
    """How many corners the circle has: groups of equal azimuth, by gaps well under the widest.

    Where something cuts the wall open, the facets that are left tell how many the whole circle would have.
    """
    arms = wall.flat - centre
    turn = np.sort(np.arctan2(arms[:, 1], arms[:, 0]))
    gaps = np.diff(np.append(turn, turn[0] + 2 * math.pi))
    usual = float(np.median(gaps[gaps > 0.1 * gaps.max()]))
    if gaps.max() > 1.8 * usual:
        return max(round(2 * math.pi / usual), 3)
    return max(int((gaps > 0.3 * gaps.max()).sum()), 3)


def is_through(wall: Wall) -> bool:
    """Whether both ends are open: the faces beyond the rim lie behind the wall, not before it as a floor does."""
    own, beyond, edge = wall.ends
    surface = wall.surface
    rim = surface.mesh.vertices[surface.neighbours[2][edge]].mean(axis=1)
    ahead = np.einsum("ij,ij->i", surface.mesh.corners_of(beyond).mean(axis=1) - rim, surface.normals[own])
    place, length, sharp = wall.rim
    middle = (wall.along.min() + wall.along.max()) / 2
    for side in ((place < middle) & sharp, (place >= middle) & sharp):
        if length[side & (ahead < 0)].sum() < 0.5 * length[side].sum():
            return False
    return True


def axis_kind(direction: Sequence[float] | Floats) -> Axis:
    """Against the build direction z, to 1.1 degrees."""
    up = abs(float(direction[2]))
    if up > math.cos(math.radians(1.1)):
        return Axis.VERTICAL
    return Axis.HORIZONTAL if up < math.sin(math.radians(1.1)) else Axis.INCLINED
