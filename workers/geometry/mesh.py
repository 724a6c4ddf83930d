"""A bag of triangles in millimetres, and the merging of its equal corners."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_MIX = tuple(np.uint64(k) for k in (0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9))


@dataclass(frozen=True, eq=False)
class TriangleMesh:
    """vertices (n, 3) in mm, each in use; faces (m, 3), indices into them, counter-clockwise seen from outside.

    notes: what was changed on reading; hints: what looks odd and was left as it is.
    """

    vertices: Floats
    faces: Ints
    notes: tuple[str, ...] = ()
    hints: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """In one layout of memory, as compiled code asks for it."""
        object.__setattr__(self, "vertices", np.require(self.vertices, np.float64, ("C", "W")))
        object.__setattr__(self, "faces", np.require(self.faces, np.int64, ("C", "W")))

    @property
    def corners(self) -> Floats:
        """(m, 3, 3): the three corners of each triangle."""
        return self.vertices[self.faces]

    @cached_property
    def normals_areas(self) -> tuple[Floats, Floats]:
        """Of the faces, as ``face_normals`` gives them."""
        from workers.geometry.facets import normals_areas

        normals, areas = normals_areas(self.vertices, self.faces)
        return np.asarray(normals), np.asarray(areas)

    def corners_of(self, faces: Ints) -> Floats:
        """(k, 3, 3): the corners of some triangles."""
        return self.vertices[self.faces[faces]]

    @property
    def extents(self) -> Floats:
        """(3,) sides of the box around the triangles, mm."""
        return np.array([np.ptp(self.vertices[:, k]) for k in range(3)])


def merged(points: Floats, faces: Ints) -> tuple[Floats, Ints]:
    """The same triangles with exactly equal points made one, in order of first use.

    Keeping the order of the file keeps neighbours near in memory: the solid is then built twice as fast.
    """
    flat = points[faces.ravel()] + 0.0  # -0.0 becomes 0.0
    keys = _row_keys(flat)
    order = np.argsort(keys)
    ranked = keys[order]
    fresh = np.concatenate([[True], ranked[1:] != ranked[:-1]])
    first = np.minimum.reduceat(order, np.flatnonzero(fresh))
    by_first = np.argsort(first)
    label = np.empty(len(first), dtype=np.int64)
    label[by_first] = np.arange(len(first))
    inverse = np.empty(len(order), dtype=np.int64)
    inverse[order] = label[np.cumsum(fresh) - 1]
    vertices = flat[first[by_first]]
    if not np.array_equal(vertices[inverse], flat):  # two points with one key: the slow way is exact
        vertices, inverse = np.unique(flat, axis=0, return_inverse=True)
    return vertices, inverse.reshape(-1, 3)


def _row_keys(rows: Floats) -> NDArray[Any]:
    """A 64-bit key a row: equal rows have equal keys (unequal ones nearly never; the caller compares)."""
    bits = np.ascontiguousarray(rows).view(np.uint64)
    keys = bits[:, 0] * _MIX[0]
    keys ^= (bits[:, 1] ^ (bits[:, 1] >> np.uint64(29))) * _MIX[1]
    keys ^= (bits[:, 2] ^ (bits[:, 2] >> np.uint64(31))) * _MIX[2]
    return keys ^ (keys >> np.uint64(32))


def face_normals(corners: Floats) -> tuple[Floats, Floats]:
    """Unit normals (m, 3), zero for a degenerate triangle, and areas (m,) in mm^2, of corners (m, 3, 3)."""
    loose = TriangleMesh(np.ascontiguousarray(corners).reshape(-1, 3), np.arange(3 * len(corners)).reshape(-1, 3))
    return loose.normals_areas
