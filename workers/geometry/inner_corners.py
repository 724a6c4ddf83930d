"""The tightest inner corner of a part's layers: the smallest radius that an outline turns inwards with.

A tessellated fillet is a run of inward turns with short edges between; its radius is the length of the run over the
angle turned. One sharp turn is a corner of radius 0. Whole circles are holes, not corners.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from workers.geometry.layers import LayerCurveSet
from workers.geometry.mesh import Floats

_FINE_MM = 2.0  # a larger radius is rounded by no bead
_MOST_LAYERS = 8
_SHARP = math.radians(41.0)  # more than a facet of nine a turn
_CORNER = math.radians(30.0)  # less in all is a bend
_WHOLE = math.radians(300.0)
_LONGER = 2.5
_STRAIGHT = math.radians(0.5)


def tightest_corner_mm(layers: LayerCurveSet) -> float | None:
    """The smallest inner corner radius under 2 mm, of the layers computed (eight at most); None where there is none."""
    slabs = sorted(layers.done)
    some = slabs[:: max(1, -(-len(slabs) // _MOST_LAYERS))]
    radii = [radius for k in some for ring in layers.slabs.rings(k) for radius in inner_radii(ring)]
    tightest = min(radii, default=_FINE_MM)
    return round(tightest, 3) if tightest < _FINE_MM else None


def inner_radii(ring: Floats) -> Iterator[float]:
    """The radius of each inner corner of a ring (k, 2) with its material to the left, mm."""
    step = np.roll(ring, -1, axis=0) - ring
    length = np.hypot(step[:, 0], step[:, 1])
    before = np.roll(step, 1, axis=0)
    cross = before[:, 0] * step[:, 1] - before[:, 1] * step[:, 0]
    turn = np.arctan2(cross, (before * step).sum(axis=1))
    inward = -turn  # material to the left: a turn to the right goes round an inner corner
    if (inward > _SHARP).any():
        yield 0.0
    bent = (inward > _STRAIGHT) & (inward <= _SHARP)
    chord = bent & np.roll(bent, -1)  # the edge after each point: of an arc if no longer than its neighbours
    chord &= length <= _LONGER * np.minimum(np.roll(length, 1), np.roll(length, -1))
    if chord.all() or not chord.any():
        return
    order = np.roll(np.arange(len(ring)), -int(np.flatnonzero(~chord)[0]) - 1)
    for run in np.split(order, np.flatnonzero(~chord[order])[:-1] + 1):
        angle = float(inward[run].sum())
        if len(run) > 1 and _CORNER < angle < _WHOLE:
            yield float(length[run[:-1]].sum()) / angle
