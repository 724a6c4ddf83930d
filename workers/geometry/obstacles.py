"""What limits a disc that touches an outline: the edges near it, and the largest disc that none of them enters.

outline, as ``touching`` makes it: of each edge the next one (n,), its first point (n, 2), length, direction and turns
(n, 5); then two arrays of scratch. A frame is a point and a normal there: x, y, nx, ny. All in mm.
"""

from __future__ import annotations

import math

import numpy as np

from workers.geometry.compiled import kernel
from workers.geometry.edge_grid import edges_near

_BEHIND_MM = 1e-9  # what is no further in front of a place does not limit its disc
_MANY = 24  # edges are worth sorting


@kernel
def edges_in_front(frame, length, own, outline, around, most):  # type: ignore[no-untyped-def]
    """The edges that may limit the discs along a piece of an edge, the nearest first where they are many; their count.

    The least distances go into the scratch of the outline, in the same order; nought where they are few.
    """
    x, y, nx, ny = frame
    ex, ey = x + length * ny, y - length * nx
    low_x, high_x = min(x, ex) + most * (nx - 1), max(x, ex) + most * (nx + 1)
    low_y, high_y = min(y, ey) + most * (ny - 1), max(y, ey) + most * (ny + 1)
    near, count = edges_near(low_x, low_y, high_x, high_y, around)
    onward, points, edge, _, away = outline
    mx, my = (x + ex) / 2, (y + ey) / 2
    kept = 0
    for k in range(count):
        i = near[k]
        j = onward[i]
        one = nx * (points[i, 0] - x) + ny * (points[i, 1] - y)
        other = nx * (points[j, 0] - x) + ny * (points[j, 1] - y)
        if i != own and max(one, other) > _BEHIND_MM and min(one, other) < 2 * most:
            dx, dy = (points[i, 0] + points[j, 0]) / 2 - mx, (points[i, 1] + points[j, 1]) / 2 - my
            near[kept], away[kept] = i, math.sqrt(dx * dx + dy * dy) - (edge[i, 0] + length) / 2
            kept += 1
    _sort(near, away, kept)
    return near, kept


@kernel
def _sort(near, away, count):  # type: ignore[no-untyped-def]
    """The nearest first where it pays; else none is told to be away at all."""
    if count > _MANY:
        order = np.argsort(away[:count])
        near[:count], away[:count] = near[:count][order], away[:count][order]
    else:
        away[:count] = 0.0


@kernel
def edges_around(x, y, outline, around, most):  # type: ignore[no-untyped-def]
    """The same for all discs at a point."""
    near, count = edges_near(x - 2 * most, y - 2 * most, x + 2 * most, y + 2 * most, around)
    onward, points, edge, _, away = outline
    for k in range(count):
        i = near[k]
        j = onward[i]
        dx, dy = (points[i, 0] + points[j, 0]) / 2 - x, (points[i, 1] + points[j, 1]) / 2 - y
        away[k] = math.sqrt(dx * dx + dy * dy) - edge[i, 0] / 2
    _sort(near, away, count)
    return near, count


@kernel
def touching_radius(px, py, nx, ny, near, count, outline, most):  # type: ignore[no-untyped-def]
    """The largest disc at a place that none of some edges enters, ``most`` at most."""
    onward, points, edge, _, away = outline
    best = most
    for k in range(count):
        if away[k] > 2 * best:
            break
        i = near[k]
        j = onward[i]
        ax, ay = points[i, 0] - px, points[i, 1] - py
        bx, by = points[j, 0] - px, points[j, 1] - py
        ha, hb = nx * ax + ny * ay, nx * bx + ny * by
        if ha <= _BEHIND_MM and hb <= _BEHIND_MM:
            continue
        da, db = ax * ax + ay * ay, bx * bx + by * by
        if min(da, db) < _BEHIND_MM * _BEHIND_MM:
            return 0.0  # outlines touch
        if ha > _BEHIND_MM and da < 2 * ha * best:
            best = da / (2 * ha)
        if hb > _BEHIND_MM and db < 2 * hb * best:
            best = db / (2 * hb)
        dx, dy = edge[i, 1], edge[i, 2]
        height = dy * ax - dx * ay  # of the place over the edge's line
        facing = 1 - (dx * ny - dy * nx)
        if _BEHIND_MM < height < best * facing:
            radius = height / facing
            along = (radius * nx - ax) * dx + (radius * ny - ay) * dy
            if 0 <= along <= edge[i, 0]:
                best = radius
    return best
