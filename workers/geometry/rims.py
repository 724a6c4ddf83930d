"""Compiled: the rim and the corners of a set of faces. Types are given, so that all is compiled once, on import."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(
    "Tuple((int64[::1], int64[::1], int64[::1]))(int64[::1], int64[:, ::1], int64[::1], int64[::1], bool_[::1])",
    cache=True,
    nogil=True,
)
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
    return own[:count], beyond[:count], edge[:count]


@njit("int64[::1](int64[::1], int64[:, ::1], bool_[::1])", cache=True, nogil=True)
def used_corners(some, faces, seen):  # type: ignore[no-untyped-def]
    """The corners, rising, of some of the faces (m, 3). seen (n,) is room to work in, all False before and after."""
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
    return np.sort(corners[:count])
