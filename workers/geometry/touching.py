"""The largest disc that touches an outline at each of its places from inside: the outline's medial radius.

A place is a point of the outline and a normal there: along an edge the normal is the edge's, at a corner that turns
inwards all normals from one edge's to the other's are places of their own. The discs' centres make the medial axis
(Blum 1967), and every point of the section but those on the axis belongs to just one place. Radii are exact at the
places taken (closed forms against edges and corners); places are added until radii are nearly linear in between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from workers.geometry.compiled import kernel
from workers.geometry.edge_grid import grid_of
from workers.geometry.mesh import Floats, Ints
from workers.geometry.obstacles import edges_around, edges_in_front, touching_radius

_PIECE_MM = 1.0  # edges are looked around by pieces of this
_APART_MM = 0.25  # places on an edge, at first
_TURN = 0.25  # rad; places at a corner, at first
_STRAY_MM = 0.002  # half way between two places radii are linear to this
_LEAST_MM, _LEAST_TURN = 0.004, 0.01  # places are not taken closer
_FLAT = 1e-9  # rad; a corner that turns less is none
_STRAIGHT = 0.999  # of a straight line, and radii follow it
_DEEP = 48


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Of rings (k,): places (n,) in order, each ring's first repeated as its last; ring i is starts[i] to starts[i+1].

    foot and normal (n, 2), normals towards the inside; radius (n,) mm, of no more than was asked for.
    """

    foot: Floats
    normal: Floats
    radius: Floats
    starts: Ints

    @classmethod
    def of(cls, rings: list[Floats], most_mm: float) -> Places:
        """rings: (m, 2) corners in mm, none twice in a row, the inside to the left; larger discs count as most_mm."""
        points = np.concatenate(rings) if rings else np.empty((0, 2))
        first = np.cumsum([0, *map(len, rings)])
        table, starts = _places(np.ascontiguousarray(points, dtype=np.float64), first, most_mm)
        return cls(table[:, :2], table[:, 2:4], table[:, 4], starts)


@kernel
def _places(points, first, most):  # type: ignore[no-untyped-def]
    """(n, 5) foot, normal and radius of each place, and where each ring's begin."""
    starts = np.zeros(len(first), dtype=np.int64)
    table = np.empty((6 * len(points) + 64, 5))
    if len(points) == 0:
        return table[:0], starts
    outline = _outline(points, first)
    around = grid_of(points, outline[0])
    used = 0
    for ring in range(len(first) - 1):
        starts[ring] = used
        for i in range(first[ring], first[ring + 1]):
            while True:
                there = _at_corner(table, _on_edge(table, used, i, outline, around, most), i, outline, around, most)
                if there < len(table):
                    break
                table = np.concatenate((table, np.empty_like(table)))
            used = there
        if used > starts[ring]:
            table[used] = table[starts[ring]]
            used += 1
    starts[-1] = used
    return table[:used], starts


@kernel
def _outline(points, first):  # type: ignore[no-untyped-def]
    """Of each edge: the next one; length, direction and turns (rad, left positive) at start and end; and scratch."""
    n = len(points)
    onward = np.arange(1, n + 1)
    for ring in range(len(first) - 1):
        onward[first[ring + 1] - 1] = first[ring]
    edge = np.empty((n, 5))
    for i in range(n):
        dx, dy = points[onward[i], 0] - points[i, 0], points[onward[i], 1] - points[i, 1]
        length = math.sqrt(dx * dx + dy * dy)
        size = max(length, 1e-300)
        edge[i, 0], edge[i, 1], edge[i, 2] = length, dx / size, dy / size
    for i in range(n):
        j = onward[i]
        turn = math.atan2(
            edge[i, 1] * edge[j, 2] - edge[i, 2] * edge[j, 1], edge[i, 1] * edge[j, 1] + edge[i, 2] * edge[j, 2]
        )
        edge[i, 4] = edge[j, 3] = turn
    return onward, points, edge, np.empty((_DEEP, 2)), np.empty(n)


@kernel
def _put(table, used, x, y, nx, ny, radius):  # type: ignore[no-untyped-def]
    """One more place; past the end of the table it is only counted."""
    if used < len(table):
        table[used, 0], table[used, 1], table[used, 2], table[used, 3], table[used, 4] = x, y, nx, ny, radius
    return used + 1


@kernel
def _on_edge(table, used, i, outline, around, most):  # type: ignore[no-untyped-def]
    """The places of edge i, both ends included."""
    _, points, edge, _, _ = outline
    length, dx, dy, before, after = edge[i]
    if length == 0:
        return used
    ax, ay = points[i]
    pieces = int(length / _PIECE_MM) + 1
    step = length / pieces
    least = 2 if before > _FLAT and after > _FLAT and pieces == 1 else 1
    low = 0.0
    for piece in range(pieces):
        x, y = ax + piece * step * dx, ay + piece * step * dy
        frame = (x, y, -dy, dx)
        near, count = edges_in_front(frame, step, i, outline, around, most)
        each = max(math.ceil(step / _APART_MM), least) if count > 0 else 1
        if piece == 0:
            low = 0.0 if before > _FLAT else touching_radius(x, y, -dy, dx, near, count, outline, most)
            used = _put(table, used, x, y, -dy, dx, low)
        ramp_low = math.tan(before / 2) if piece == 0 and before > _FLAT else 0.0
        ramp_high = math.tan(after / 2) if piece == pieces - 1 and after > _FLAT else 0.0
        used, low = _on_piece(table, used, frame, step, each, low, ramp_low, ramp_high, near, count, outline, most)
    return used


@kernel
def _on_piece(table, used, frame, step, each, low, ramp_low, ramp_high, near, count, outline, most):  # type: ignore[no-untyped-def]
    """Places along one piece, its start not included; the last radius too.

    A corner that sticks out makes radii fall to nothing along a straight line: where the line is met is a place.
    """
    x, y, nx, ny = frame
    at = 0.0
    for k in range(each):
        high = step * (k + 1) / each
        last = k == each - 1 and ramp_high > 0
        r_high = 0.0 if last else touching_radius(x + high * ny, y - high * nx, nx, ny, near, count, outline, most)
        straight = False
        if k == 0 and ramp_low > 0:
            knot = (most if last else r_high) * ramp_low
            if knot < 0.9 * (high - at):
                r_knot = touching_radius(x + knot * ny, y - knot * nx, nx, ny, near, count, outline, most)
                straight = r_knot * ramp_low > _STRAIGHT * knot
                used, at, low = _until(
                    table, used, at, low, knot, r_knot, straight, False, frame, near, count, outline, most
                )
        straight = False
        if last:
            knot = high - low * ramp_high
            if at < knot and (high - knot) < 0.9 * (high - at):
                r_knot = touching_radius(x + knot * ny, y - knot * nx, nx, ny, near, count, outline, most)
                used, at, low = _until(
                    table, used, at, low, knot, r_knot, False, False, frame, near, count, outline, most
                )
                straight = low * ramp_high > _STRAIGHT * (high - knot)
        used, at, low = _until(table, used, at, low, high, r_high, straight, False, frame, near, count, outline, most)
    return used, low


@kernel
def _at_corner(table, used, i, outline, around, most):  # type: ignore[no-untyped-def]
    """The places at the corner where edge i ends, if it turns inwards; neither end is included."""
    onward, points, edge, _, _ = outline
    turn = -edge[i, 4]
    if turn <= _TURN / 4:
        return used
    j = onward[i]
    x, y = points[j]
    frame = (x, y, -edge[i, 2], edge[i, 1])
    near, count = edges_around(x, y, outline, around, most)
    parts = math.ceil(turn / _TURN)
    at, low = 0.0, touching_radius(x, y, frame[2], frame[3], near, count, outline, most)
    for k in range(parts):
        high = turn * (k + 1) / parts
        _, _, nx, ny = _placed(high, True, frame)
        r_high = touching_radius(x, y, nx, ny, near, count, outline, most)
        used, at, low = _until(table, used, at, low, high, r_high, False, True, frame, near, count, outline, most)
    return used


@kernel
def _until(table, used, low, r_low, high, r_high, straight, turning, frame, near, count, outline, most):  # type: ignore[no-untyped-def]
    """Places after ``low`` up to ``high``, so close that radii are nearly linear in between; straight: they are.

    low and high are lengths along an edge from the frame's point, or angles from its normal (turning).
    """
    stack = outline[3]
    stack[0, 0], stack[0, 1] = high, r_high
    top = 1
    least = _LEAST_TURN if turning else _LEAST_MM
    while top > 0:
        high, r_high = stack[top - 1]
        if count > 0 and high - low > least and not straight:
            middle = (low + high) / 2
            x, y, nx, ny = _placed(middle, turning, frame)
            r_middle = touching_radius(x, y, nx, ny, near, count, outline, most)
            stray = abs(r_middle - (r_low + r_high) / 2)
            if stray > _STRAY_MM and top < _DEEP:
                stack[top, 0], stack[top, 1] = middle, r_middle
                top += 1
                continue
            if stray > _STRAY_MM / 10:
                used = _put(table, used, x, y, nx, ny, r_middle)
        x, y, nx, ny = _placed(high, turning, frame)
        used = _put(table, used, x, y, nx, ny, r_high)
        low, r_low = high, r_high
        top -= 1
    return used, low, r_low


@kernel
def _placed(at, turning, frame):  # type: ignore[no-untyped-def]
    """Foot and normal at a length along an edge, or at an angle (clockwise) from the first normal of a corner."""
    x, y, nx, ny = frame
    if turning:
        c, s = math.cos(at), math.sin(at)
        return x, y, nx * c + ny * s, ny * c - nx * s
    return x + at * ny, y - at * nx, nx, ny
