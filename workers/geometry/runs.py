"""What discs of several radii cannot reach in a section, from the largest touching discs along its outline.

The section is made of slivers: each place of the outline owns what lies between its foot and its disc's centre. A disc
of radius r reaches all of the slivers of places whose own disc is as large. Places with smaller ones follow each other
in runs; where a run ends, the disc of radius r that touches both outlines there still reaches into it: a sector of it,
from foot to the way on, half of it on either side. The discs at both ends of a short neck meet: half their lens is
counted twice. What is left of a run is a *feature* when some of its feet stick out of the mitred larger shape that
openings.py describes, seen from the discs at both ends; else it is a corner that is rounded.
"""

from __future__ import annotations

import math

import numpy as np

from workers.geometry.compiled import kernel
from workers.geometry.joined_sets import root_of
from workers.geometry.mesh import Floats
from workers.geometry.openings import REACH, REACH_CORNER
from workers.geometry.slivers import left_between, sliver
from workers.geometry.touching import Places

_SAME_MM = 0.02  # centres of one disc, found from its feet on both sides, are no further apart
_ONE, _ONE_MM = 0.03, 0.004  # of the radius; discs at both ends of a run no further apart are one
_BENT = 0.3  # rad
AREA, OUT, ACROSS, X0, AT = 0, 1, 2, 3, 7


def opened_by_places(places: Places, radii_mm: Floats) -> tuple[Floats, Floats]:
    """(2, k) areas lost to discs of radii (k,), in features and in corners, mm^2; and where features are.

    The latter as rows (m, 5): which radius, a point in the feature x, y, the area of its run, and the radius of the
    disc at that point. Radii are smaller than the most that places have.
    """
    if not len(places.radius):
        return np.zeros((2, len(radii_mm))), np.empty((0, 5))
    lost, features = _opened(places.foot, places.normal, places.radius, places.starts, radii_mm)
    return np.asarray(lost), np.asarray(features)


@kernel
def _opened(foot, normal, radius, starts, radii):  # type: ignore[no-untyped-def]
    lost = np.zeros((2, len(radii)))
    steps = _steps(foot, normal)
    places = (foot, normal, radius, steps[0], steps[1])
    runs = np.empty((256, 10))
    features = np.empty((256, 5))
    found = 0
    for k in range(len(radii)):
        used = 0
        for ring in range(len(starts) - 1):
            while True:
                there = _ring(places, starts[ring], starts[ring + 1] - 1, radii[k], runs, used)
                if there < len(runs):
                    break
                runs = np.concatenate((runs, np.empty_like(runs)))
            used = there
        _join(runs[:used])
        for i in range(used):
            lost[0 if runs[i, OUT] > 0 else 1, k] += runs[i, AREA]
            if runs[i, AT + 2] > 0:
                if found == len(features):
                    features = np.concatenate((features, np.empty_like(features)))
                features[found, 0], features[found, 3], features[found, 4] = k, runs[i, AREA], runs[i, AT + 2]
                features[found, 1], features[found, 2] = runs[i, AT], runs[i, AT + 1]
                found += 1
    return lost, features[:found]


@kernel
def _join(runs):  # type: ignore[no-untyped-def]
    """Marks runs as features that hang together with one: those on both sides of what a disc cannot pass."""
    ends = np.empty((2 * len(runs), 2))
    owner = np.empty(2 * len(runs), dtype=np.int64)
    count = 0
    for i in range(len(runs)):
        if runs[i, ACROSS] > 0:
            for side in range(2):
                ends[count, 0], ends[count, 1] = runs[i, X0 + 2 * side], runs[i, X0 + 2 * side + 1]
                owner[count] = i
                count += 1
    order = np.argsort(ends[:count, 0])
    root = np.arange(len(runs))
    for a in range(count):
        i = order[a]
        for b in range(a + 1, count):
            j = order[b]
            if ends[j, 0] - ends[i, 0] > _SAME_MM:
                break
            if abs(ends[j, 1] - ends[i, 1]) <= _SAME_MM:
                one, other = root_of(root, owner[i]), root_of(root, owner[j])
                root[one] = other
    out = np.zeros(len(runs))
    for i in range(len(runs)):
        k = root_of(root, i)
        out[k] = max(out[k], runs[i, OUT])
    for i in range(len(runs)):
        runs[i, OUT] = out[root_of(root, i)]


@kernel
def _steps(foot, normal):  # type: ignore[no-untyped-def]
    """From each place to the next: the length along an edge, or the angle turned at a corner."""
    n = len(foot) - 1
    lengths, turns = np.zeros(n), np.zeros(n)
    for i in range(n):
        dx, dy = foot[i + 1, 0] - foot[i, 0], foot[i + 1, 1] - foot[i, 1]
        lengths[i] = math.sqrt(dx * dx + dy * dy)
        cross = normal[i, 0] * normal[i + 1, 1] - normal[i, 1] * normal[i + 1, 0]
        turns[i] = abs(math.atan2(cross, normal[i, 0] * normal[i + 1, 0] + normal[i, 1] * normal[i + 1, 1]))
    return lengths, turns


@kernel
def _ring(places, low, high, r, runs, used):  # type: ignore[no-untyped-def]
    """Puts the runs of one ring at one radius; how many there are now."""
    _, _, radius, lengths, turns = places
    count = high - low
    if count < 1:
        return used
    first = -1
    whole = 0.0
    for i in range(low, high):
        if radius[i] < r <= radius[i + 1]:
            first = i
            break
        whole += sliver(radius[i], radius[i + 1], lengths[i], turns[i])
    if first < 0:
        if radius[low] < r:
            most = low + np.argmax(radius[low:high])
            used = _put(runs, used, whole, 1.0, 0.0, (0.0, 0.0), (0.0, 0.0), _inside(places, most))
        return used
    down = -1
    area = 0.0
    for step in range(1, count + 1):  # once round, from just past the end of a run
        i = low + (first - low + step) % count
        if down < 0:
            if radius[i] >= r > radius[i + 1]:
                down = i
                share = (radius[i] - r) / (radius[i] - radius[i + 1])
                area = sliver(r, radius[i + 1], lengths[i] * (1 - share), turns[i] * (1 - share))
        elif radius[i + 1] >= r:
            share = (r - radius[i]) / (radius[i + 1] - radius[i])
            area += sliver(radius[i], r, lengths[i] * share, turns[i] * share)
            used = _run(places, low, count, down, i, r, area, runs, used)
            down = -1
        else:
            area += sliver(radius[i], radius[i + 1], lengths[i], turns[i])
    return used


@kernel
def _put(runs, used, area, out, across, one, other, at):  # type: ignore[no-untyped-def]
    """One more run; past the end of the table it is only counted."""
    if used < len(runs):
        runs[used, AREA], runs[used, OUT], runs[used, ACROSS] = area, out, across
        runs[used, 3], runs[used, 4], runs[used, 5], runs[used, 6] = one[0], one[1], other[0], other[1]
        runs[used, 7], runs[used, 8], runs[used, 9] = at
    return used + 1


@kernel
def _inside(places, i):  # type: ignore[no-untyped-def]
    """A point in the middle of a place's sliver, and the radius of its disc."""
    foot, normal, radius, _, _ = places
    half = radius[i] / 2
    return foot[i, 0] + half * normal[i, 0], foot[i, 1] + half * normal[i, 1], radius[i]


@kernel
def _end(places, here, there, r):  # type: ignore[no-untyped-def]
    """Where a run ends between two places, the second inside of it: disc's centre, unit vectors to the foot and on."""
    foot, normal, radius, _, _ = places
    share = (radius[here] - r) / (radius[here] - radius[there])
    px = foot[here, 0] + share * (foot[there, 0] - foot[here, 0])
    py = foot[here, 1] + share * (foot[there, 1] - foot[here, 1])
    nx = normal[here, 0] + share * (normal[there, 0] - normal[here, 0])
    ny = normal[here, 1] + share * (normal[there, 1] - normal[here, 1])
    size = math.sqrt(nx * nx + ny * ny)
    nx, ny = nx / size, ny / size
    wx = foot[there, 0] + radius[there] * normal[there, 0] - foot[here, 0] - radius[here] * normal[here, 0]
    wy = foot[there, 1] + radius[there] * normal[there, 1] - foot[here, 1] - radius[here] * normal[here, 1]
    size = math.sqrt(wx * wx + wy * wy)
    if size < 1e-12:
        wx, wy, size = -nx, -ny, 1.0
    wx, wy = wx / size, wy / size
    across = 2 * (nx * wx + ny * wy)
    return px + r * nx, py + r * ny, -nx, -ny, wx, wy, nx - across * wx, ny - across * wy


@kernel
def _run(places, low, count, down, up, r, slivers, runs, used):  # type: ignore[no-untyped-def]
    """Puts what is left of a run whose slivers have an area, from its ends in the steps down and up."""
    foot, radius = places[0], places[2]
    one, other = _end(places, down, down + 1, r), _end(places, up + 1, up, r)
    apart = math.sqrt((other[0] - one[0]) ** 2 + (other[1] - one[1]) ** 2)
    angle = math.atan2(one[2] * other[3] - one[3] * other[2], one[2] * other[2] + one[3] * other[3]) % (2 * math.pi)
    across = 0.0
    alike = one[4] * other[4] + one[5] * other[5] > 0
    if apart <= max(_ONE * r, _ONE_MM) and (angle > _BENT or alike) and angle < 2 * math.pi - _BENT:
        sector, corner = r * r * angle / 2, r * r * math.tan(angle / 2)
        area = (corner if angle <= _BENT and slivers < 2 * corner else slivers) - sector
        wx, wy = math.cos(angle / 2), math.sin(angle / 2)
        wx, wy = one[2] * wx - one[3] * wy, one[2] * wy + one[3] * wx
        one = (one[0], one[1], one[2], one[3], wx, wy, other[2], other[3])
        other = one
    else:
        area, across = left_between(places, low, count, down, up, one, other, r)
    if area <= 0:
        return used
    widest = -1
    i = down
    while i != up:
        i = low + (i + 1 - low) % count
        x, y = foot[i, 0], foot[i, 1]
        further = widest < 0 or radius[i] > radius[widest]
        if further and not _reached(x, y, one, r) and not _reached(x, y, other, r):
            widest = i
    if widest < 0:
        return _put(runs, used, area, 0.0, across, one, other, (0.0, 0.0, 0.0))
    return _put(runs, used, area, 1.0, across, one, other, _inside(places, widest))


@kernel
def _reached(x, y, end, r):  # type: ignore[no-untyped-def]
    """Whether the mitred growth of the end of what the disc's centre may enter holds a point."""
    dx, dy = x - end[0], y - end[1]
    sides = max(dx * end[2] + dy * end[3], dx * end[6] + dy * end[7])
    return dx * end[4] + dy * end[5] <= REACH_CORNER * r and sides <= REACH * r
