"""A closed surface: its faces' normals, areas and neighbours, and the axes that its curved and flat regions show."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from workers.geometry.components import patches
from workers.geometry.mesh import Bools, Floats, Ints, TriangleMesh

SMOOTH_COS = math.cos(math.radians(41.0))  # nine facets a turn are still round, eight are an octagon
SHARP_COS = math.cos(math.radians(35.0))  # a wall ends where the surface turns by more than this
_SLIVER_MM = 0.02  # flatter triangles have normals made of noise
_MOST_AXES = 16
_MOST_REGIONS = 400
_SAME_AXIS = math.cos(math.radians(2.0))


@dataclass(eq=False)
class Surface:
    """A closed surface with its faces' normals, areas and neighbours across every edge."""

    mesh: TriangleMesh

    def __post_init__(self) -> None:
        from workers.geometry.facets import longest_sides

        self.normals, self.areas = self.mesh.normals_areas
        longest = longest_sides(self.mesh.vertices, self.mesh.faces)
        self.solid_faces: Bools = 2 * self.areas > _SLIVER_MM * longest
        self.all_faces: Bools = self.areas > 0

    @cached_property
    def _edges(self) -> tuple[Ints, Ints, Ints, Ints]:
        from workers.geometry.adjacency import shared_edges

        return tuple(shared_edges(self.mesh.faces, len(self.mesh.vertices)))

    @property
    def neighbours(self) -> tuple[Ints, Ints, Ints]:
        """one (e,), two (e,): the faces on both sides of each edge; ends (e, 2): its corners."""
        return self._edges[:3]

    @cached_property
    def turn_cos(self) -> Floats:
        """(e,) cosine of the turn of the normal across each edge."""
        from workers.geometry.adjacency import turns

        one, two, _ = self.neighbours
        return np.asarray(turns(self.normals, one, two))

    @cached_property
    def sharp_edges(self) -> Ints:
        """The edges (k,) at which a wall may end."""
        return np.flatnonzero(self.turn_cos < SHARP_COS)

    @cached_property
    def room(self) -> tuple[Bools, Bools]:
        """(m,) and (n,) False, for who has to mark faces or vertices for a moment."""
        return np.zeros(len(self.mesh.faces), dtype=np.bool_), np.zeros(len(self.mesh.vertices), dtype=np.bool_)

    def rim_of(self, faces: Ints) -> tuple[Ints, Ints, Ints]:
        """Own face, face beyond and number (k,) of each edge around some faces."""
        from workers.geometry.rims import outer_edges

        one, two, _, edges_of = self._edges
        return tuple(outer_edges(faces, edges_of, one, two, self.room[0]))

    def corners_of(self, faces: Ints) -> Ints:
        """The corners of some faces, rising."""
        from workers.geometry.rims import used_corners

        return np.sort(used_corners(faces, self.mesh.faces, self.room[1]))

    def labels(self, linked: Bools, faces: Bools) -> Ints:
        """(m,) component of each of ``faces`` under the ``linked`` edges; -1 for the others."""
        one, two, _ = self.neighbours
        return patches(one, two, linked, faces)

    def axes(self) -> list[Floats]:
        """z, x, y, the axes that curved regions stand around, and the normals of the largest flat ones."""
        from workers.geometry.facets import spreads

        found = [np.array(a, dtype=np.float64) for a in ((0, 0, 1), (1, 0, 0), (0, 1, 0))]
        label = self.labels(self.turn_cos > SMOOTH_COS, self.solid_faces)
        if label.max() < 0:
            return found
        size, area = np.bincount(label + 1)[1:], np.bincount(label + 1, self.areas)[1:]
        spread = spreads(label, self.normals, self.areas, len(size))
        some = np.argsort(-area)[:_MOST_REGIONS]
        values, vectors = np.linalg.eigh(spread[some] / area[some, None, None])
        around = (size[some] >= 9) & (values[:, 0] < 0.01) & (values[:, 1] > 0.1)
        flat = values[:, 1] < 1e-4
        for axis in [*vectors[around, :, 0], *vectors[flat, :, 2]]:
            if len(found) >= _MOST_AXES:
                break
            if all(abs(float(axis @ f)) < _SAME_AXIS for f in found):
                found.append(axis if axis[np.argmax(np.abs(axis))] > 0 else -axis)
        return found
