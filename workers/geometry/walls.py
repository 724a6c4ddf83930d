"""Walls around an axis: connected faces that stand along it, seen in the plane across it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from workers.geometry.closed_surface import SHARP_COS, SMOOTH_COS, Surface
from workers.geometry.mesh import Bools, Floats, Ints

__all__ = ["SHARP_COS", "SMOOTH_COS", "Surface", "Wall", "across", "walls", "whole_walls"]

ALONG = 0.1  # |n . axis| of a wall; sine of 5.7 degrees, room for noise
ALONG_COS = math.cos(2 * ALONG)
_UPRIGHT = 0.01  # the same for a sliver: in a clean mesh it stands as straight as its neighbours
# A wall that runs smoothly into a fillet is so many times as long as the first facet of that; a ring of a torus or a
# ball is as long as the next one.
_LONGER, _AS_LONG, _STEEPEST = 2.5, 0.1, math.cos(math.radians(65.0))
_OPEN_SHARE = 0.4  # a wall over 300 degrees of a circle leaves 0.19 of its area


@dataclass(frozen=True, eq=False)
class Wall:
    """One connected wall around an axis. plane (3, 2) spans the plane across it.

    flared: straight to its ends, which may run smoothly on, as into a fillet or a shallow chamfer. meets_sharp: whether
    there is a sharp edge anywhere on its rim; without one only a flared wall can have two ends.
    """

    surface: Surface
    faces: Ints
    axis: Floats
    plane: Floats
    flared: bool = False
    meets_sharp: bool = True

    @cached_property
    def corners(self) -> Ints:
        """The corners in use, without those of slivers that lean: these may reach far beyond the wall."""
        firm = self.surface.solid_faces[self.faces]
        firm |= np.abs(self.surface.normals[self.faces] @ self.axis) < _UPRIGHT
        return self.surface.corners_of(self.faces[firm] if firm.any() else self.faces)

    @cached_property
    def flat(self) -> Floats:
        """(k, 2) the corners seen along the axis, mm."""
        return self.surface.mesh.vertices[self.corners] @ self.plane

    @cached_property
    def along(self) -> Floats:
        """(k,) the corners' place along the axis, mm."""
        return self.surface.mesh.vertices[self.corners] @ self.axis

    @cached_property
    def facing(self) -> Floats:
        """(m, 2) the faces' normals seen along the axis, of unit length."""
        seen = self.surface.normals[self.faces] @ self.plane
        return np.asarray(seen / np.maximum(np.linalg.norm(seen, axis=1), 1e-12)[:, None])

    @cached_property
    def areas(self) -> Floats:
        return self.surface.areas[self.faces]

    @cached_property
    def middles(self) -> Floats:
        """(m, 2) the faces' centres seen along the axis."""
        return np.asarray(self.surface.mesh.corners_of(self.faces).mean(axis=1) @ self.plane)

    def straightened(self) -> Wall | None:
        """The same faces around the axis that their normals are most square to; None where that is another wall."""
        normals = self.surface.normals[self.faces]
        _, vectors = np.linalg.eigh(np.einsum("k,ki,kj->ij", self.areas, normals, normals))
        axis = vectors[:, 0] * np.sign(vectors[:, 0] @ self.axis)
        if not ALONG_COS < float(axis @ self.axis) < 1 - 1e-9:
            return None
        return Wall(self.surface, self.faces, axis, across(axis))

    def upright(self) -> Wall | None:
        """The faces that stand straight along the axis, as a bore between its fillets; None where they are few."""
        straight = np.abs(self.surface.normals[self.faces] @ self.axis) < _UPRIGHT
        if np.count_nonzero(straight) < 8:
            return None
        return Wall(self.surface, self.faces[straight], self.axis, self.plane, flared=True)

    def has_fillets(self) -> bool:
        """Whether the wall runs smoothly on somewhere at its ends."""
        _, length, sharp = self.rim
        return bool(length[~sharp].sum() > 0.1 * length.sum())

    @cached_property
    def widest_gap(self) -> float:
        """The largest angle without a normal, radians: a full turn of k facets leaves 2 pi / k."""
        weighty = self.facing[self.areas > 1e-3 * self.areas.max()]
        turn = np.sort(np.arctan2(weighty[:, 1], weighty[:, 0]))
        return float(max(np.diff(turn).max(initial=0.0), turn[0] + 2 * math.pi - turn[-1]))

    @cached_property
    def ends(self) -> tuple[Ints, Ints, Ints]:
        """The rim: own face, face beyond, and edge number, for edges that run across the axis.

        What noise tilted out of the midst of the wall is no end of it: its corners are the wall's, no edge sharp.
        """
        from workers.geometry.rims import are_ends

        surface, mesh = self.surface, self.surface.mesh
        own, beyond, edge = surface.rim_of(self.faces)
        where = self.corners, self.axis, surface.neighbours[2], mesh.faces, mesh.vertices
        end = are_ends(beyond, edge, *where, surface.turn_cos, surface.solid_faces, surface.room[1], SHARP_COS)
        return own[end], beyond[end], edge[end]

    @cached_property
    def rim(self) -> tuple[Floats, Floats, Bools]:
        """Place along the axis (mm), length (mm) and sharpness of each rim edge."""
        from workers.geometry.rims import middles_lengths

        edge = self.ends[2]
        place, length = middles_lengths(edge, self.surface.neighbours[2], self.surface.mesh.vertices, self.axis)
        return place, length, self.surface.turn_cos[edge] < SHARP_COS

    @cached_property
    def span(self) -> tuple[float, float] | None:
        """The two ends along the axis where both are sharp for most of their length (or flared), else None."""
        place, length, sharp = self.rim
        if not len(place):
            return None
        middle = (self.along.min() + self.along.max()) / 2
        sides = (place < middle, place >= middle)
        if any(length[side].sum() <= 0 for side in sides):
            return None
        low, high = (float(np.average(place[side], weights=length[side])) for side in sides)
        if all(self._goes_on(side, high - low) for side in sides):
            return None
        for side in sides:
            if length[side & sharp].sum() < 0.7 * length[side].sum() and not self._flares(side, high - low):
                return None
        return low, high

    def _flares(self, side: Bools, length: float) -> bool:
        """Whether the wall ends on a side by running smoothly into facets much shorter than itself."""
        return self.flared and bool(length > _LONGER * self._beyond_along[side].mean())

    def _goes_on(self, side: Bools, length: float) -> bool:
        """Whether the faces beyond are as long as the wall and turn alike: a ring of a crude torus or ball."""
        turn = float(self.surface.turn_cos[self.ends[2][side]].mean())
        return turn > _STEEPEST and abs(self._beyond_along[side].mean() / turn / length - 1) < _AS_LONG

    @cached_property
    def _beyond_along(self) -> Floats:
        """How far each face beyond the rim reaches along the axis, mm."""
        from workers.geometry.rims import reaches

        mesh = self.surface.mesh
        return np.asarray(reaches(self.ends[1], mesh.faces, mesh.vertices, self.axis))


def walls(surface: Surface, axis: Floats, linked: Bools, *, sharp_only: bool = False) -> Iterator[Wall]:
    """The walls all the way round an axis whose faces are joined by ``linked`` edges, by their first face.

    Slivers, whose normals noise makes wild, count only where they stand well along it; upright or along x or y also
    with all of them, since a clean wall may be cut into some. With sharp_only, those that meet a sharp edge.
    """
    lean = np.abs(surface.normals @ axis)
    standing = lean < ALONG
    masks = [surface.solid_faces | (surface.all_faces & (lean < _UPRIGHT))]
    if np.abs(axis).max() == 1.0 and (standing & surface.all_faces & ~surface.solid_faces).any():
        masks.append(surface.all_faces)
    plane = across(axis)
    for faces in masks:
        label = surface.labels(linked, standing & faces)
        for some, sharp in _closed(surface, plane, label, sharp_only):
            yield Wall(surface, some, axis, plane, meets_sharp=sharp)


def whole_walls(surface: Surface, axes: list[Floats]) -> list[Wall]:
    """The walls around the axes that go on over edges of any turn and meet a sharp edge."""
    every = np.ones(len(surface.turn_cos), dtype=np.bool_)
    return [wall for axis in axes for wall in walls(surface, axis, every, sharp_only=True)]


def _closed(surface: Surface, plane: Floats, label: Ints, sharp_only: bool) -> Iterator[tuple[Ints, bool]]:
    """The faces of each label, and whether they meet a sharp edge; the areas of a wall all the way round cancel."""
    used = np.flatnonzero(label >= 0)
    if not len(used):
        return
    one = label[used]
    area, facing = surface.areas[used], surface.normals[used] @ plane
    total = np.bincount(one, area)
    rest = np.hypot(*(np.bincount(one, area * facing[:, k]) for k in range(2)))
    closed = (rest < _OPEN_SHARE * total) & (np.bincount(one) >= 8)
    sharp = _meeting_sharp(surface, label, len(total))
    closed &= sharp | (not sharp_only)
    used = used[closed[one]]
    order = used[np.argsort(label[used], kind="stable")]
    for faces in np.split(order, np.flatnonzero(np.diff(label[order])) + 1):
        if len(faces):
            yield faces, bool(sharp[label[faces[0]]])


def _meeting_sharp(surface: Surface, label: Ints, count: int) -> Bools:
    """(count,) whether a sharp edge parts the faces of a label from others."""
    one, two, _ = surface.neighbours
    here, there = label[one[surface.sharp_edges]], label[two[surface.sharp_edges]]
    apart = here != there
    meets = np.zeros(count + 1, dtype=np.bool_)  # the last for faces without a label, -1
    meets[here[apart]] = meets[there[apart]] = True
    return meets[:count]


def across(axis: Floats) -> Floats:
    """(3, 2): two unit vectors that make a right-handed frame with the axis."""
    helper = np.array([1.0, 0.0, 0.0]) if abs(axis[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    u = np.cross(axis, helper)
    u /= np.linalg.norm(u)
    return np.stack([u, np.cross(axis, u)], axis=1)
