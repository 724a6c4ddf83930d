"""Compiled: a wall's corners around a circle, and the turns of its faces. Types are given: compiled once, on import."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit("float64(float64[::1])", cache=True, nogil=True)
def _widest(turn):  # type: ignore[no-untyped-def]
    """The widest gap between sorted directions, the last to the first again among them, radians."""
    widest = turn[0] + 2 * math.pi - turn[-1]
    for k in range(1, len(turn)):
        widest = max(widest, turn[k] - turn[k - 1])
    return widest


@njit("float64(float64[:, ::1], float64[::1])", cache=True, nogil=True)
def widest_gap(facing, areas):  # type: ignore[no-untyped-def]
    """The largest angle without a normal (m, 2), those of very small faces left out, radians."""
    turn, count, weighty = np.empty(len(areas)), 0, 1e-3 * areas.max()
    for f in range(len(areas)):
        if areas[f] > weighty:
            turn[count] = math.atan2(facing[f, 1], facing[f, 0])
            count += 1
    return _widest(np.sort(turn[:count]))


@njit("Tuple((float64, float64, float64))(float64[:, ::1])", cache=True, nogil=True)
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


@njit("float64(float64[:, ::1], float64, float64, float64, float64)", cache=True, nogil=True)
def off_circle(points, x, y, radius, share):  # type: ignore[no-untyped-def]
    """How far that share of the points (k, 2) is from the circle at most."""
    off = np.empty(len(points))
    for k in range(len(points)):
        off[k] = abs(math.hypot(points[k, 0] - x, points[k, 1] - y) - radius)
    off = np.sort(off)
    place = share * (len(off) - 1)
    low = int(place)
    high = min(low + 1, len(off) - 1)
    return off[low] + (off[high] - off[low]) * (place - low)


@njit("Tuple((int64, float64))(float64[::1])", cache=True, nogil=True)
def counted_corners(turn):  # type: ignore[no-untyped-def]
    """Groups of equal azimuth, by gaps well under the widest, and how uneven the gaps are; at least three groups.

    Where something cuts the wall open, the facets that are left tell how many the whole circle would have.
    """
    if len(turn) < 3:
        return 3, 0.0
    turn = np.sort(turn)
    gaps = np.append(np.diff(turn), turn[0] + 2 * math.pi - turn[-1])
    widest = gaps.max()
    real = gaps[gaps > 0.1 * widest]
    usual = np.median(real)
    within = real[real <= 1.8 * usual]
    unevenness = within.std() / within.mean()
    if widest > 1.8 * usual:
        return max(round(2 * math.pi / usual), 3), unevenness
    return max((gaps > 0.3 * widest).sum(), 3), unevenness


@njit("float64(float64, float64, float64, float64)", cache=True, nogil=True)
def _to_origin(ax, ay, bx, by):  # type: ignore[no-untyped-def]
    """Distance of a segment from the origin."""
    x, y = bx - ax, by - ay
    share = min(max(-(ax * x + ay * y) / max(x * x + y * y, 1e-18), 0.0), 1.0)
    return math.hypot(ax + share * x, ay + share * y)


@njit(
    "float64(int64[::1], int64[:, ::1], float64[:, ::1], float64[:, ::1], float64, float64, float64, float64)",
    cache=True,
    nogil=True,
)
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


@njit(
    "float64[:, ::1](float64[::1], float64[::1], float64[::1], float64, float64, float64, int64)",
    cache=True,
    nogil=True,
)
def gathered_sides(turn, place, areas, near, apart, least, most):  # type: ignore[no-untyped-def]
    """(k, 3) azimuth, place and area of the sides of a wall, from the azimuths, places and areas (m,) of its faces.

    A side is what turns at most by ``near`` from its largest face, and has no gap in place wider than ``apart``;
    those under ``least`` are passed over. The largest first, and no more than come with the one past ``most``.
    """
    sides, count = np.empty((len(turn), 3)), 0
    left = np.argsort(-areas, kind="mergesort")
    while len(left) and count <= most:
        off = (turn[left] - turn[left[0]] + math.pi) % (2 * math.pi) - math.pi
        like = np.abs(off) <= near
        some = left[like]
        azimuth = turn[some[0]] + (off[like] * areas[some]).sum() / areas[some].sum()
        left = left[~like]
        some = some[np.argsort(place[some], kind="mergesort")]
        begin = 0
        for k in range(1, len(some) + 1):
            if k == len(some) or place[some[k]] - place[some[k - 1]] > apart:
                one = some[begin:k]
                area = areas[one].sum()
                if area > least:
                    sides[count] = azimuth, (place[one] * areas[one]).sum() / area, area
                    count += 1
                begin = k
    return sides[:count].copy()
