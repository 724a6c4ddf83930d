"""Compiled: what closed shells reach into and enclose."""

from __future__ import annotations

import math

import numpy as np

from workers.geometry.compiled import compiled


@compiled("Tuple((int64[:, ::1], int64[::1]))(int64[:, ::1], int64[::1], int64)")
def by_shell(faces, label, count):  # type: ignore[no-untyped-def]
    """The faces (m, 3) shell after shell, and where each begins (count + 1,); label (n,) is of the vertices."""
    starts = np.zeros(count + 1, np.int64)
    for f in range(len(faces)):
        starts[label[faces[f, 0]] + 1] += 1
    for k in range(count):
        starts[k + 1] += starts[k]
    place, ordered = starts[:-1].copy(), np.empty_like(faces)
    for f in range(len(faces)):
        k = label[faces[f, 0]]
        for s in range(3):
            ordered[place[k], s] = faces[f, s]
        place[k] += 1
    return ordered, starts


@compiled("Tuple((float64, float64, float64[::1]))(float64[:, ::1], int64[:, ::1])")
def figures(vertices, faces):  # type: ignore[no-untyped-def]
    """Volume, surface, and box (lowest, then highest x, y, z) of a closed shell; negative volume inside out."""
    base, box = vertices[faces[0, 0]], np.empty(6)
    box[:3], box[3:] = np.inf, -np.inf
    volume = area = 0.0
    for f in range(len(faces)):
        for k in range(3):
            for s in range(3):
                box[k] = min(box[k], vertices[faces[f, s], k])
                box[3 + k] = max(box[3 + k], vertices[faces[f, s], k])
        p, q, r = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        ax, ay, az = q[0] - p[0], q[1] - p[1], q[2] - p[2]
        bx, by, bz = r[0] - p[0], r[1] - p[1], r[2] - p[2]
        x, y, z = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        volume += (p[0] - base[0]) * x + (p[1] - base[1]) * y + (p[2] - base[2]) * z
        area += math.sqrt(x * x + y * y + z * z)
    return volume / 6, area / 2, box


@compiled("Tuple((int64, float64[::1]))(float64[:, ::1], int64[:, ::1], float64[::1])")
def reaching_into(vertices, faces, box):  # type: ignore[no-untyped-def]
    """How many faces reach into a box by their own boxes, and the box around all of these."""
    around, count = np.empty(6), 0
    around[:3], around[3:] = np.inf, -np.inf
    low, high = np.empty(3), np.empty(3)
    for f in range(len(faces)):
        inside = True
        for k in range(3):
            a, b, c = vertices[faces[f, 0], k], vertices[faces[f, 1], k], vertices[faces[f, 2], k]
            low[k], high[k] = min(a, b, c), max(a, b, c)
            inside = inside and low[k] <= box[3 + k] and high[k] >= box[k]
        if inside:
            count += 1
            for k in range(3):
                around[k], around[3 + k] = min(around[k], low[k]), max(around[3 + k], high[k])
    return count, around


@compiled("int64(float64[:, ::1], int64[:, ::1], float64[::1], float64[::1])")
def leavings(vertices, faces, point, lean):  # type: ignore[no-untyped-def]
    """How often more a ray from a point leaves a surface than it enters; it goes up, leaning by ``lean`` (2,)."""
    count = 0
    x, y, z, turn = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    for f in range(len(faces)):
        for s in range(3):
            z[s] = vertices[faces[f, s], 2] - point[2]
            x[s] = vertices[faces[f, s], 0] - point[0] - z[s] * lean[0]
            y[s] = vertices[faces[f, s], 1] - point[1] - z[s] * lean[1]
        for s in range(3):  # of each side about the ray
            turn[s] = x[s] * y[(s + 1) % 3] - y[s] * x[(s + 1) % 3]
        if min(turn[0], turn[1], turn[2]) > 0 or max(turn[0], turn[1], turn[2]) < 0:
            whole = turn[0] + turn[1] + turn[2]
            if (turn[1] * z[0] + turn[2] * z[1] + turn[0] * z[2]) / whole > 0:
                count += 1 if whole > 0 else -1
    return count
