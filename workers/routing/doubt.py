"""How sure a routing is: a credible interval on each score, and the chance that each candidate is the best one.

Every score's uncertainty is laid on ten equally likely nodes, and the same 120 stratified draws combine them for
every job, so the answer depends on nothing but the input. Candidates are drawn independently of each other, the
sizes of one candidate together: a cause that two pairings share (one material's shrinkage) is not followed, which
overstates the doubt between them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from workers.learning.arrays import Array, floats
from workers.learning.nodes import HIGH, NODES, NORMAL_NODES, draws, student_nodes
from workers.process.fit import CHANCE_MIN
from workers.routing.score import ScoreBlock

Index = NDArray[np.intp]

_DOF_MAX = 60  # highest step of process/allowance.py
_BEYOND = NORMAL_NODES / NORMAL_NODES[HIGH]  # of the bead's width, in units of the error that it stays within
_WIDER, _NARROWER = np.maximum(_BEYOND, 0.0), np.maximum(-_BEYOND, 0.0)


@dataclass(frozen=True, slots=True)
class Doubt:
    """For listed candidates (J, n): low and high (J, n, 4) in the order detail, fit, clog, time; best (J, n): the
    chance that it is the best of those listed."""

    low: Array
    high: Array
    best: Array


def doubt(block: ScoreBlock, places: Index, count: Index) -> Doubt:
    """places (J, n): flat index pairing * B + bead; only the first count (J,) of them are candidates."""
    ln = _ln_nodes(block, places)
    stated = _stated(block, places)
    low = np.exp(np.minimum(ln.min(axis=3), stated))
    high = np.exp(np.minimum(np.maximum(ln.max(axis=3), stated), 0.0))
    return Doubt(np.moveaxis(low, 0, 2), np.moveaxis(high, 0, 2), _chance_best(block, places, count, ln))


def _stated(block: ScoreBlock, places: Index) -> Array:
    """ln of the scores as the routing states them (4, J, n)."""
    table, ln, j = block.table, block.ln, np.arange(len(places))[:, None]
    p, b = np.divmod(places, table.shape[1])
    return np.stack(
        [
            ln.detail[j, table.width_of[p, b]] + ln.steps[j, table.height_of[p, b]],
            ln.fit[j, table.fit_class_of[p, b]],
            ln.clog[j, p],
            ln.time[j, p, b],
        ]
    )


def _ln_nodes(block: ScoreBlock, places: Index) -> Array:
    """ln of each score at each of its nodes (4, J, n, NODES). Not sorted: a fit can suffer on both sides."""
    table, ln, j = block.table, block.ln, np.arange(len(places))[:, None]
    p, b = np.divmod(places, table.shape[1])
    found = np.empty((4, *places.shape, NODES))
    u = table.width_of[p, b]
    detail, steps = ln.detail[j, u], ln.steps[j, table.height_of[p, b]]
    found[0] = (detail + steps)[:, :, None]
    found[0] += (ln.detail_wider[j, u] - detail)[:, :, None] * _WIDER
    found[0] += (ln.detail_narrower[j, u] - detail)[:, :, None] * _NARROWER
    _fill_fit(found[1], block, table.fit_class_of[p, b])
    found[2] = -table.clog_nodes[p] * (block.volume_mm3[j, p] / 1000.0)[:, :, None]
    found[3] = ln.time[j, p, b][:, :, None] - table.time_nodes[p]
    return found


def _fill_fit(out: Array, block: ScoreBlock, classes: Index) -> None:
    """ln of the chance that all sizes conform, were each mean at its node: (J, n, NODES)."""
    found = block.fit_block
    if found is None:
        out[:] = 0.0
        return
    row, column = np.arange(len(found.limits))[:, None], np.repeat(classes, np.diff(found.start), axis=0)
    size = found.prediction
    mean, scale, weight = size.mean[row, column], size.scale[row, column], size.weight[row, column]
    of_mean, of_size = scale / np.sqrt(1.0 + weight), scale * np.sqrt(weight / (1.0 + weight))
    nodes = student_nodes(_DOF_MAX)[size.dof[row, column].astype(np.intp)]
    nodes *= (of_mean / of_size)[:, :, None]
    over = (found.upper_mm[:, None] - mean) / of_size
    under = (found.lower_mm[:, None] - mean) / of_size
    chance = ndtr(over[:, :, None] - nodes)
    chance -= ndtr(under[:, :, None] - nodes)
    logs = np.log(np.maximum(chance, CHANCE_MIN, out=chance), out=chance)
    for j, (first, last) in enumerate(pairwise(found.start)):
        np.add.reduce(logs[first:last], axis=0, out=out[j])


def _chance_best(block: ScoreBlock, places: Index, count: Index, ln: Array) -> Array:
    jobs, n = places.shape
    weighted = ln * block.weights.T[:, :, None, None]
    which = draws(4, n) + (np.arange(n) * NODES)[:, None]
    utility = np.take(weighted[0].reshape(jobs, -1), which[0].ravel(), axis=1)
    for k in range(1, 4):
        utility += np.take(weighted[k].reshape(jobs, -1), which[k].ravel(), axis=1)
    utility = utility.reshape(jobs, n, -1)
    utility[np.arange(n)[None, :] >= count[:, None]] = -np.inf
    wins = (utility == utility.max(axis=1, keepdims=True)).astype(np.float64)
    wins /= wins.sum(axis=1, keepdims=True)
    return floats(wins.mean(axis=2))
