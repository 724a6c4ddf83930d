"""Compiled: the corners and the rim of a wall."""

from __future__ import annotations

import math

import numpy as np

from workers.geometry.compiled import compiled


@compiled("int64[::1](int64[::1], int64[:, ::1], bool_[::1])")
def used_corners(some, faces, seen):  # type: ignore[no-untyped-def]
    """The corners, as they come, of some of the faces (m, 3). seen (n,) is room to work in: False before and after."""
    corners = np.empty(3 * len(some), np.int64)
    count = 0
    for f in some:
        for corner in faces[f]:
            if not seen[corner]:
                seen[corner] = True
                corners[count] = corner
                count += 1
    for corner in corners[:count]:
        seen[corner] = False
    return corners[:count].copy()


@compiled("Tuple((int64[::1], int64[::1], int64[::1]))(int64[::1], int64[:, ::1], int64[::1], int64[::1], bool_[::1])")
def outer_edges(faces, edges_of, one, two, inside):  # type: ignore[no-untyped-def]
    """Own face, face beyond and number (k,) of each edge between one of ``faces`` and another face.

    inside (m,) is room to work in, all False before and after.
    """
    for f in faces:
        inside[f] = True
    most = 3 * len(faces)
    own, beyond, edge = np.empty(most, np.int64), np.empty(most, np.int64), np.empty(most, np.int64)
    count = 0
    for f in faces:
        for e in edges_of[f]:
            other = one[e] + two[e] - f
            if not inside[other]:
                own[count], beyond[count], edge[count] = f, other, e
                count += 1
    for f in faces:
        inside[f] = False
    return own[:count].copy(), beyond[:count].copy(), edge[:count].copy()


@compiled("float64(float64[:, ::1], int64, float64[::1])")
def _along(vertices, corner, axis):  # type: ignore[no-untyped-def]
    return vertices[corner, 0] * axis[0] + vertices[corner, 1] * axis[1] + vertices[corner, 2] * axis[2]


@compiled("Tuple((float64[::1], float64[::1]))(int64[::1], int64[:, ::1], float64[:, ::1], float64[::1])")
def middles_lengths(edge, ends, vertices, axis):  # type: ignore[no-untyped-def]
    """(k,) the place along an axis of the middle of each edge, and (k,) its length."""
    place, length = np.empty(len(edge)), np.empty(len(edge))
    for k in range(len(edge)):
        a, b = ends[edge[k], 0], ends[edge[k], 1]
        place[k] = (_along(vertices, a, axis) + _along(vertices, b, axis)) / 2
        squares = 0.0
        for i in range(3):
            squares += (vertices[a, i] - vertices[b, i]) ** 2
        length[k] = math.sqrt(squares)
    return place, length


@compiled("float64[::1](int64[::1], int64[:, ::1], float64[:, ::1], float64[::1])")
def reaches(some, faces, vertices, axis):  # type: ignore[no-untyped-def]
    """(k,) how far some of the faces (m, 3) reach along an axis."""
    reach = np.empty(len(some))
    for k in range(len(some)):
        low, high = np.inf, -np.inf
        for corner in faces[some[k]]:
            along = _along(vertices, corner, axis)
            low, high = min(low, along), max(high, along)
        reach[k] = high - low
    return reach


@compiled(
    "bool_[::1](int64[::1], int64[::1], int64[::1], float64[::1], int64[:, ::1], int64[:, ::1], float64[:, ::1], "
    "float64[::1], bool_[::1], bool_[::1], float64)"
)
def are_ends(beyond, edge, corners, axis, ends, faces, vertices, turn, solid, seen, sharp):  # type: ignore[no-untyped-def]
    """(k,) which outer edges of a wall with some corners end it: those across its axis that noise did not make.

    An edge that is not sharp, all of whose face beyond has corners of the wall, was tilted out of the midst of it.
    Slivers beyond tell nothing, unless there is nothing else. seen (n,) is room to work in.
    """
    for corner in corners:
        seen[corner] = True
    across = np.zeros(len(edge), np.bool_)
    only_slivers = True
    for k in range(len(edge)):
        a, b = ends[edge[k], 0], ends[edge[k], 1]
        step = _along(vertices, b, axis) - _along(vertices, a, axis)
        squares = 0.0
        for i in range(3):
            squares += (vertices[b, i] - vertices[a, i]) ** 2
        across[k] = abs(step) < 0.7 * math.sqrt(squares)
        only_slivers = only_slivers and not (across[k] and solid[beyond[k]])
    for k in range(len(edge)):
        own = seen[faces[beyond[k], 0]] and seen[faces[beyond[k], 1]] and seen[faces[beyond[k], 2]]
        firm = only_slivers or solid[beyond[k]]
        across[k] = across[k] and firm and (turn[edge[k]] < sharp or not own)
    for corner in corners:
        seen[corner] = False
    return across


@compiled(
    "float64[::1](int64[::1], int64[::1], int64[::1], int64[:, ::1], int64[:, ::1], float64[:, ::1], float64[:, ::1])"
)
def heights_beyond(own, beyond, edge, ends, faces, vertices, normals):  # type: ignore[no-untyped-def]
    """(k,) how high above a face the middle of the face beyond each edge stands, from the middle of the edge."""
    heights = np.zeros(len(edge))
    for k in range(len(edge)):
        for i in range(3):
            rim = (vertices[ends[edge[k], 0], i] + vertices[ends[edge[k], 1], i]) / 2
            middle = 0.0
            for corner in faces[beyond[k]]:
                middle += vertices[corner, i] / 3
            heights[k] += (middle - rim) * normals[own[k], i]
    return heights
