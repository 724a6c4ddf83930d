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
Points = NDArray[np.floating[Any]]  # of the precision in which a file has them


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

    @cached_property
    def z_spans(self) -> tuple[Floats, Floats]:
        """(m,) the lowest and (m,) the highest z of each face, mm."""
        from workers.geometry.facets import z_spans

        low, high = z_spans(self.vertices, self.faces)
        return np.asarray(low), np.asarray(high)

    def corners_of(self, faces: Ints) -> Floats:
        """(k, 3, 3): the corners of some triangles."""
        return self.vertices[self.faces[faces]]

    @property
    def extents(self) -> Floats:
        """(3,) sides of the box around the triangles, mm."""
        return np.array([np.ptp(self.vertices[:, k]) for k in range(3)])


def merged(points: Points, faces: Ints) -> tuple[Floats, Ints]:
    """The same triangles with exactly equal points made one, in order of first use, in double precision.

    Keeping the order of the file keeps neighbours near in memory: the solid is then built twice as fast.
    """
    from workers.geometry.equal_points import first_uses

    plain = np.ascontiguousarray(points) + points.dtype.type(0)  # -0.0 becomes 0.0
    bits = plain.view(np.uint32 if plain.dtype == np.float32 else np.uint64)
    first, told = first_uses(bits, np.require(faces, np.int64, ("C", "W")))
    return plain[first].astype(np.float64), np.asarray(told)


def face_normals(corners: Floats) -> tuple[Floats, Floats]:
    """Unit normals (m, 3), zero for a degenerate triangle, and areas (m,) in mm^2, of corners (m, 3, 3)."""
    loose = TriangleMesh(np.ascontiguousarray(corners).reshape(-1, 3), np.arange(3 * len(corners)).reshape(-1, 3))
    return loose.normals_areas
