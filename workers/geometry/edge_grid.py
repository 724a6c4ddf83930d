"""A grid over the plane that tells which edges of outlines pass near a box."""

from __future__ import annotations

import math

import numpy as np

from workers.geometry.compiled import kernel

_CELL_MM = 0.5  # at least
_CELLS = 8  # an edge, about, at most


@kernel
def grid_of(points, onward):  # type: ignore[no-untyped-def]
    """The grid of edges from points (n, 2) to points[onward] (n,), mm, with its scratch: as edges_near takes it."""
    low_x, low_y, high_x, high_y = points[0, 0], points[0, 1], points[0, 0], points[0, 1]
    for x, y in points:
        low_x, low_y, high_x, high_y = min(low_x, x), min(low_y, y), max(high_x, x), max(high_y, y)
    box = (high_x - low_x) * (high_y - low_y)
    cell = max(_CELL_MM, math.sqrt(box / (_CELLS * len(points) + 1000)))
    columns, rows = int((high_x - low_x) / cell) + 1, int((high_y - low_y) / cell) + 1
    heads = np.full((rows, columns), -1, dtype=np.int64)
    chain = np.empty((4 * len(points) + 64, 2), dtype=np.int64)  # edge, and the next of the cell
    used = 0
    for i in range(len(points)):
        ax, ay = (points[i, 0] - low_x) / cell, (points[i, 1] - low_y) / cell
        bx, by = (points[onward[i], 0] - low_x) / cell, (points[onward[i], 1] - low_y) / cell
        steps = int(max(abs(bx - ax), abs(by - ay))) + 1
        for s in range(steps):
            x0, y0 = ax + (bx - ax) * s / steps, ay + (by - ay) * s / steps
            x1, y1 = ax + (bx - ax) * (s + 1) / steps, ay + (by - ay) * (s + 1) / steps
            for row in range(max(int(min(y0, y1)), 0), min(int(max(y0, y1)), rows - 1) + 1):
                for column in range(max(int(min(x0, x1)), 0), min(int(max(x0, x1)), columns - 1) + 1):
                    if heads[row, column] >= 0 and chain[heads[row, column], 0] == i:
                        continue
                    if used == len(chain):
                        chain = np.concatenate((chain, np.empty_like(chain)))
                    chain[used, 0], chain[used, 1] = i, heads[row, column]
                    heads[row, column] = used
                    used += 1
    seen = np.zeros(len(points) + 1, dtype=np.int64)  # the last is the number of the search
    return heads, chain, np.array([low_x, low_y, cell]), seen, np.empty(len(points), dtype=np.int64)


@kernel
def edges_near(x0, y0, x1, y1, grid):  # type: ignore[no-untyped-def]
    """The edges that pass through the cells of a box, as (a scratch array, how many of it)."""
    heads, chain, at, seen, near = grid
    rows, columns = heads.shape
    seen[-1] += 1
    count = 0
    for row in range(max(int((y0 - at[1]) / at[2]), 0), min(int((y1 - at[1]) / at[2]), rows - 1) + 1):
        for column in range(max(int((x0 - at[0]) / at[2]), 0), min(int((x1 - at[0]) / at[2]), columns - 1) + 1):
            link = heads[row, column]
            while link >= 0:
                i = chain[link, 0]
                if seen[i] != seen[-1]:
                    seen[i] = seen[-1]
                    near[count] = i
                    count += 1
                link = chain[link, 1]
    return near, count
