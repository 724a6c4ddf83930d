"""Compiled: what each face of a mesh is by itself."""

from __future__ import annotations

import math

import numpy as np

from workers.geometry.compiled import compiled


@compiled("Tuple((float64[:, ::1], float64[::1]))(float64[:, ::1], int64[:, ::1])")
def normals_areas(vertices, faces):  # type: ignore[no-untyped-def]
    """Unit normals (m, 3), zero for a degenerate face, and areas (m,); faces (m, 3) are counter-clockwise outside."""
    normals, areas = np.empty((len(faces), 3)), np.empty(len(faces))
    for f in range(len(faces)):
        p, q, r = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        ax, ay, az = q[0] - p[0], q[1] - p[1], q[2] - p[2]
        bx, by, bz = r[0] - p[0], r[1] - p[1], r[2] - p[2]
        x, y, z = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        length = math.sqrt(x * x + y * y + z * z)
        areas[f] = length / 2
        scale = length if length > 0 else 1.0
        normals[f, 0], normals[f, 1], normals[f, 2] = x / scale, y / scale, z / scale
    return normals, areas


@compiled("float64[::1](float64[:, ::1], int64[:, ::1])")
def longest_sides(vertices, faces):  # type: ignore[no-untyped-def]
    """(m,) the longest side of each face."""
    longest = np.empty(len(faces))
    for f in range(len(faces)):
        most = 0.0
        for s in range(3):
            p, q = vertices[faces[f, s]], vertices[faces[f, s - 2]]
            most = max(most, (p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2)
        longest[f] = math.sqrt(most)
    return longest


@compiled("Tuple((float64[::1], float64[::1]))(float64[:, ::1], int64[:, ::1])")
def z_spans(vertices, faces):  # type: ignore[no-untyped-def]
    """(m,) the lowest and (m,) the highest z of each face."""
    low, high = np.empty(len(faces)), np.empty(len(faces))
    for f in range(len(faces)):
        a, b, c = vertices[faces[f, 0], 2], vertices[faces[f, 1], 2], vertices[faces[f, 2], 2]
        low[f], high[f] = min(a, b, c), max(a, b, c)
    return low, high


@compiled("float64[:, :, ::1](int64[::1], float64[:, ::1], float64[::1], int64)")
def spreads(label, normals, areas, count):  # type: ignore[no-untyped-def]
    """(count, 3, 3) sums of area times n n^T over the faces of each label; -1 is no label."""
    spread = np.zeros((count, 3, 3))
    for f in range(len(label)):
        if label[f] >= 0:
            for i in range(3):
                for j in range(3):
                    spread[label[f], i, j] += areas[f] * normals[f, i] * normals[f, j]
    return spread
