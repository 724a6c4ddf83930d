"""Compiled: which faces share an edge."""

from __future__ import annotations

import numpy as np

from workers.geometry.compiled import compiled


@compiled("int32[::1](int32[::1], int32[::1], int64)")
def _sorted_by(key, order, count):  # type: ignore[no-untyped-def]
    """``order`` by keys under ``count``, equal ones as they were: by counting, as quick whatever the keys are."""
    place = np.zeros(count + 1, np.int32)
    for k in key:
        place[k + 1] += 1
    for k in range(count):
        place[k + 1] += place[k]
    result = np.empty_like(order)
    for one in order:
        result[place[key[one]]] = one
        place[key[one]] += 1
    return result


@compiled("Tuple((int32[::1], int32[::1]))(int64[:, ::1])")
def _ends_of_sides(faces):  # type: ignore[no-untyped-def]
    """(3m,) the lower and the higher corner of each side, three a face."""
    low, high = np.empty(3 * len(faces), np.int32), np.empty(3 * len(faces), np.int32)
    for f in range(len(faces)):
        for s in range(3):
            a, b = faces[f, s], faces[f, s - 2]
            low[3 * f + s], high[3 * f + s] = min(a, b), max(a, b)
    return low, high


@compiled("Tuple((int64[::1], int64[::1], int64[:, ::1], int64[:, ::1]))(int64[:, ::1], int64)")
def shared_edges(faces, count):  # type: ignore[no-untyped-def]
    """Of the faces (m, 3) of a closed surface with ``count`` vertices.

    one (e,), two (e,): the faces on both sides of each edge; ends (e, 2): its lower and its higher corner;
    edges_of (m, 3): the edges of each face, from its first corner on. Edges are in the order of their corners.
    """
    low, high = _ends_of_sides(faces)
    order = _sorted_by(low, _sorted_by(high, np.arange(len(low)).astype(np.int32), count), count)
    edges = len(order) // 2
    one, two = np.empty(edges, np.int64), np.empty(edges, np.int64)
    ends, edges_of = np.empty((edges, 2), np.int64), np.empty((len(faces), 3), np.int64)
    for e in range(edges):
        first, second = order[2 * e], order[2 * e + 1]
        one[e], two[e] = first // 3, second // 3
        ends[e, 0], ends[e, 1] = low[first], high[first]
        edges_of[first // 3, first % 3] = e
        edges_of[second // 3, second % 3] = e
    return one, two, ends, edges_of


@compiled("float64[::1](float64[:, ::1], int64[::1], int64[::1])")
def turns(normals, one, two):  # type: ignore[no-untyped-def]
    """(e,) the cosine of the turn of the normal across each edge."""
    turn = np.empty(len(one))
    for e in range(len(one)):
        a, b = normals[one[e]], normals[two[e]]
        turn[e] = a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
    return turn
