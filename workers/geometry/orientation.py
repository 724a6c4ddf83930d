"""The few poses in which a part can stand: on a facet of its hull that holds its centre of mass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from workers.geometry.mend import Solid
from workers.geometry.mesh import Floats

_SAME_FACET = 1e-4  # 1 - cos of the turn between hull triangles of one facet
_MARGIN = 0.02  # the centre of mass lies at least this share of the foot's size inside its rim
_LIKE_TURN = 0.999  # cosine; poses on nearly the same facet are one


@dataclass(frozen=True, slots=True)
class Pose:
    """A resting pose: rows of a rotation that brings ``down`` to -z; foot_mm2 and height_mm rank it."""

    name: str
    rows: tuple[tuple[float, float, float], ...]
    foot_mm2: float
    height_mm: float

    def matrix(self) -> Floats:
        return np.array(self.rows, dtype=np.float64)


def poses(solid: Solid, *, most: int = 4) -> tuple[Pose, ...]:
    """As given, then up to ``most`` - 1 others, the broadest and lowest first; the same for the same part."""
    mesh = solid.triangles()
    given = Pose("as-given", _rows(np.eye(3)), _foot_below(mesh.vertices), solid.extents_mm[2])
    chosen = [given]
    for down, area in _stable_facets(mesh.vertices, centre_of_mass(mesh.corners)):
        if len(chosen) >= most:
            break
        if any(float(-pose.matrix()[2] @ down) > _LIKE_TURN for pose in chosen):
            continue
        turn = _turn_down(down)
        height = float(np.ptp(mesh.vertices @ turn[2]))
        chosen.append(Pose(f"pose-{len(chosen)}", _rows(turn), area, height))
    return tuple(chosen)


def centre_of_mass(corners: Floats) -> Floats:
    """(3,) of the solid under closed triangles (m, 3, 3): tetrahedra to the origin of the first corner."""
    base = corners[0, 0]
    a, b, c = (corners[:, k] - base for k in range(3))
    six = np.einsum("ij,ij->i", a, np.cross(b, c))
    return np.asarray(base + ((a + b + c) * six[:, None]).sum(axis=0) / (4 * six.sum()))


def _stable_facets(points: Floats, centre: Floats) -> list[tuple[Floats, float]]:
    """(outward normal, area) of hull facets a part rests on without tipping, the best first."""
    from scipy.spatial import ConvexHull

    hull = ConvexHull(points)
    normals = hull.equations[:, :3]
    good = []
    for group in _facet_groups(normals, hull):
        area, normal = _area_and_normal(points, hull.simplices[group], normals[group])
        if _holds(points[np.unique(hull.simplices[group])], normal, centre):
            height = float((points[hull.simplices[group[0], 0]] - centre) @ normal)
            good.append((area / max(height, 1e-6), normal, area))
    good.sort(key=lambda g: (-round(g[0], 6), *(round(float(x), 6) for x in g[1])))
    return [(normal, area) for _, normal, area in good]


def _facet_groups(normals: Floats, hull: Any) -> list[np.ndarray]:
    """Hull triangles gathered into flat facets through their neighbours."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    one = np.repeat(np.arange(len(normals)), 3)
    two = hull.neighbors.ravel()
    flat = np.einsum("ij,ij->i", normals[one], normals[two]) > 1 - _SAME_FACET
    shape = (len(normals), len(normals))
    _, label = connected_components(coo_matrix((flat[flat], (one[flat], two[flat])), shape=shape), directed=False)
    order = np.argsort(label, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(label[order])) + 1)


def _area_and_normal(points: Floats, triangles: np.ndarray, normals: Floats) -> tuple[float, Floats]:
    a, b, c = (points[triangles[:, k]] for k in range(3))
    areas = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    normal = (normals * areas[:, None]).sum(axis=0)
    return float(areas.sum()), normal / np.linalg.norm(normal)


def _holds(foot: Floats, normal: Floats, centre: Floats) -> bool:
    """Whether the centre of mass stands over the foot, well inside its rim."""
    import shapely

    plane = _turn_down(normal)[:2]
    outline = shapely.MultiPoint(foot @ plane.T).convex_hull
    over = shapely.Point(plane @ centre)
    return bool(outline.covers(over) and outline.boundary.distance(over) > _MARGIN * outline.area**0.5)


def _turn_down(down: Floats) -> Floats:
    """The rotation (3, 3) with ``down`` at -z that turns least about z."""
    third = -down
    first = np.array([1.0, 0.0, 0.0]) - third * third[0]
    if np.linalg.norm(first) < 0.1:
        first = np.array([0.0, 1.0, 0.0]) - third * third[1]
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(third, first), third])


def _foot_below(points: Floats) -> float:
    """Area of the hull of what touches the bed, mm^2."""
    import shapely

    low = points[points[:, 2] < points[:, 2].min() + 0.05, :2]
    return float(shapely.MultiPoint(low).convex_hull.area)


def _rows(matrix: Floats) -> tuple[tuple[float, float, float], ...]:
    return tuple((float(a), float(b), float(c)) for a, b, c in matrix)
