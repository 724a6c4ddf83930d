"""Slivers: what lies between the feet and the centres of neighbouring places, and what two discs leave of it.

places: foot and normal (n, 2), radius (n,), and of the step to the next place its length and the angle turned (n - 1,).
"""

from __future__ import annotations

import math

import numpy as np

from workers.geometry.compiled import kernel

# Three points of Gauss and Legendre on 0 to 1, and their weights.
_GAUSS = np.array([(0.1127016653792583, 5 / 18), (0.5, 8 / 18), (0.8872983346207417, 5 / 18)])


@kernel
def sliver(r0, r1, length, turn):  # type: ignore[no-untyped-def]
    """The area between feet and centres of a step, radii linear along it."""
    return length * (r0 + r1) / 2 + turn * (r0 * r0 + r0 * r1 + r1 * r1) / 6


@kernel
def left_between(places, low, count, down, up, one, other, r):  # type: ignore[no-untyped-def]
    """What two discs leave of the slivers of a run between them, and 1 if they leave some of the medial axis."""
    foot, _, radius, lengths, turns = places
    area, across = 0.0, 0.0
    i = down
    while True:
        begin, end = 0.0, 1.0
        if i == down:
            begin = (radius[i] - r) / (radius[i] - radius[i + 1])
        if i == up:
            end = (r - radius[i]) / (radius[i + 1] - radius[i])
        if begin == 0.0 and end == 1.0 and _clear(foot, i, lengths[i], one, other, r):
            area += sliver(radius[i], radius[i + 1], lengths[i], turns[i])
            across = 1.0
            i = low + (i + 1 - low) % count
            continue
        for k in range(3):
            at = begin + (end - begin) * _GAUSS[k, 0]
            left, ends = _uncovered(places, i, at, one, other, r)
            area += (end - begin) * _GAUSS[k, 1] * left
            across = max(across, ends)
        if i == up:
            return area, across
        i = low + (i + 1 - low) % count


@kernel
def _clear(foot, i, length, one, other, r):  # type: ignore[no-untyped-def]
    """Whether neither of two discs reaches the slivers of a step whose radii are smaller than theirs."""
    far = (2 * r + length) ** 2
    return (foot[i, 0] - one[0]) ** 2 + (foot[i, 1] - one[1]) ** 2 > far and (
        (foot[i, 0] - other[0]) ** 2 + (foot[i, 1] - other[1]) ** 2 > far
    )


@kernel
def _uncovered(places, i, share, one, other, r):  # type: ignore[no-untyped-def]
    """What two discs leave of the sliver at a share of step i, mm^2 a whole step."""
    foot, normal, radius, lengths, turns = places
    x = foot[i, 0] + share * (foot[i + 1, 0] - foot[i, 0])
    y = foot[i, 1] + share * (foot[i + 1, 1] - foot[i, 1])
    nx = normal[i, 0] + share * (normal[i + 1, 0] - normal[i, 0])
    ny = normal[i, 1] + share * (normal[i + 1, 1] - normal[i, 1])
    size = math.sqrt(nx * nx + ny * ny)
    if size < 1e-9:
        return 0.0, 0.0
    nx, ny = nx / size, ny / size
    top = radius[i] + share * (radius[i + 1] - radius[i])
    in0, out0 = _chord(x - one[0], y - one[1], nx, ny, r, top)
    in1, out1 = _chord(x - other[0], y - other[1], nx, ny, r, top)
    ends = 0.0 if in0 < top <= out0 or in1 < top <= out1 else 1.0
    if in1 < in0:
        in0, out0, in1, out1 = in1, out1, in0, out0
    in1 = max(in1, out0)
    out1 = max(out1, in1)
    length = in0 + (in1 - out0) + (top - out1)
    square = in0 * in0 + (in1 * in1 - out0 * out0) + (top * top - out1 * out1)
    return lengths[i] * length + turns[i] * square / 2, ends


@kernel
def _chord(ux, uy, nx, ny, r, top):  # type: ignore[no-untyped-def]
    """From where to where a line from u (seen from a disc's centre) along n is in the disc, within 0 to top."""
    middle = -(ux * nx + uy * ny)
    inside = r * r - (ux * ux + uy * uy) + middle * middle
    if inside <= 0:
        return top, top
    half = math.sqrt(inside)
    return min(max(middle - half, 0.0), top), min(max(middle + half, 0.0), top)
