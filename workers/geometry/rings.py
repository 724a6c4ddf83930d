"""Compiled: a wall's corners around a circle, and the turns of its faces."""

from __future__ import annotations

import math

import numpy as np

from workers.geometry.compiled import compiled


@compiled("Tuple((float64, float64, float64))(float64[:, ::1])")
def fitted(points):  # type: ignore[no-untyped-def]
    """x, y and radius of the least-squares circle (Kasa 1976: linear in centre and r^2 - |c|^2) of points (k, 2).

    Points on one line have no circle: their middle, and a radius of 0.
    """
    n = len(points)
    mx, my = points[:, 0].mean(), points[:, 1].mean()
    xx = xy = yy = xs = ys = squares = 0.0
    for k in range(n):
        x, y = points[k, 0] - mx, points[k, 1] - my
        s = x * x + y * y
        xx, xy, yy = xx + x * x, xy + x * y, yy + y * y
        xs, ys, squares = xs + x * s, ys + y * s, squares + s
    span = xx * yy - xy * xy
    if span <= 1e-12 * xx * yy or span <= 0.0:
        return mx, my, 0.0
    x, y = (yy * xs - xy * ys) / (2 * span), (xx * ys - xy * xs) / (2 * span)
    return mx + x, my + y, math.sqrt(squares / n + x * x + y * y)


@compiled("float64(float64, float64, float64, float64)")
def _to_origin(ax, ay, bx, by):  # type: ignore[no-untyped-def]
    """Distance of a segment from the origin."""
    x, y = bx - ax, by - ay
    share = min(max(-(ax * x + ay * y) / max(x * x + y * y, 1e-18), 0.0), 1.0)
    return math.hypot(ax + share * x, ay + share * y)


@compiled("float64(int64[::1], int64[:, ::1], float64[:, ::1], float64[:, ::1], float64, float64, float64, float64)")
def nearest_edge(some, faces, vertices, plane, x, y, radius, room):  # type: ignore[no-untyped-def]
    """Distance from an axis to the nearest edge whose ends lie on the circle, give or take ``room``.

    The edges are those of some of the faces (m, 3), seen in the plane (3, 2) across the axis.
    """
    nearest = radius
    seen, on = np.empty((3, 2)), np.empty(3, np.bool_)
    for f in some:
        for s in range(3):
            p = vertices[faces[f, s]]
            seen[s, 0] = p[0] * plane[0, 0] + p[1] * plane[1, 0] + p[2] * plane[2, 0] - x
            seen[s, 1] = p[0] * plane[0, 1] + p[1] * plane[1, 1] + p[2] * plane[2, 1] - y
            on[s] = abs(math.hypot(seen[s, 0], seen[s, 1]) - radius) <= room
        for s in range(3):
            if on[s] and on[s - 2]:
                nearest = min(nearest, _to_origin(seen[s, 0], seen[s, 1], seen[s - 2, 0], seen[s - 2, 1]))
    return nearest


@compiled(
    "float64[:, ::1](float64[::1], float64[::1], float64[::1], int64[::1], int64[::1], "
    "float64, float64, float64, int64)"
)
def gathered_sides(turn, place, areas, by_area, left, near, apart, least, most):  # type: ignore[no-untyped-def]
    """(k, 3) azimuth, place and area of the sides of a wall, from the azimuths, places and areas (m,) of its faces.

    A side is what turns at most by ``near`` from its largest face, and has no gap in place wider than ``apart``;
    those under ``least`` are passed over. The largest first, and no more than come with the one past ``most``.
    by_area (m,): the faces, the largest first; left (m,): the faces by their place, used up here.
    """
    sides, count, remain = np.empty((len(turn), 3)), 0, len(turn)
    taken = np.zeros(len(turn), np.bool_)
    for largest in by_area:
        if taken[largest] or count > most:
            continue
        first, kept, off_sum, area_sum = count, 0, 0.0, 0.0
        weight = moment = last = 0.0
        for k in range(remain):
            face = left[k]
            off = (turn[face] - turn[largest] + math.pi) % (2 * math.pi) - math.pi
            if abs(off) > near:
                left[kept] = face
                kept += 1
                continue
            if weight > 0 and place[face] - last > apart:  # another side of the same azimuth
                if weight > least:
                    sides[count, 1], sides[count, 2] = moment / weight, weight
                    count += 1
                weight = moment = 0.0
            taken[face], last = True, place[face]
            weight, moment = weight + areas[face], moment + areas[face] * place[face]
            off_sum, area_sum = off_sum + off * areas[face], area_sum + areas[face]
        if weight > least:
            sides[count, 1], sides[count, 2] = moment / weight, weight
            count += 1
        for k in range(first, count):
            sides[k, 0] = turn[largest] + off_sum / area_sum
        remain = kept
    return sides[:count].copy()
