"""How sure a routing is: a credible interval on each score, and the chance that each candidate is the best one.

Every score's uncertainty is laid on a few equally likely nodes, and the same stratified draws combine them for every
job, so the answer depends on nothing but the input. Candidates are drawn independently of each other: a cause that
two pairings share (one material's shrinkage) is not followed, which overstates the doubt between them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from workers.learning.arrays import Array, floats
from workers.learning.nodes import (
    HIGH,
    NORMAL_NODES,
    POINTS,
    draws,
    normal_points,
    spread_points,
)
from workers.process.allowance import DOF_MAX, ROWS
from workers.process.fit import CHANCE_MIN
from workers.routing.score import ScoreBlock

Index = NDArray[np.intp]

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
    nodes, stated = ln_nodes(block, places), _stated(block, places)
    low = [np.minimum(one.min(axis=2), said) for one, said in zip(nodes, stated, strict=True)]
    high = [np.maximum(one.max(axis=2), said) for one, said in zip(nodes, stated, strict=True)]
    return Doubt(
        np.exp(np.stack(low, axis=-1)),
        np.exp(np.minimum(np.stack(high, axis=-1), 0.0)),
        _chance_best(block, count, nodes),
    )


def _stated(block: ScoreBlock, places: Index) -> tuple[Array, ...]:
    """ln of the four scores as the routing states them, each (J, n)."""
    table, ln, j = block.table, block.ln, np.arange(len(places))[:, None]
    p, b = np.divmod(places, table.shape[1])
    return (
        ln.detail[j, table.width_of[p, b]] + ln.steps[j, table.height_of[p, b]],
        ln.fit[j, table.fit_class_of[p, b]],
        ln.clog[j, p],
        ln.time[j, p, b],
    )


def ln_nodes(block: ScoreBlock, places: Index) -> tuple[Array, ...]:
    """ln of each of the four scores at each of its nodes: (J, n, NODES), of the fit (J, n, POINTS). In no order."""
    table, ln, j = block.table, block.ln, np.arange(len(places))[:, None]
    p, b = np.divmod(places, table.shape[1])
    return (
        _detail_nodes(block, places),
        _fit_nodes(block, table.fit_class_of[p, b]),
        table.clog_nodes[p] * (block.volume_mm3[j, p] / -1000.0)[:, :, None],
        ln.time[j, p, b][:, :, None] - table.time_nodes[p],
    )


def _detail_nodes(block: ScoreBlock, places: Index) -> Array:
    table, ln, j = block.table, block.ln, np.arange(len(places))[:, None]
    p, b = np.divmod(places, table.shape[1])
    u = table.width_of[p, b]
    drawn = ln.detail[j, u]
    nodes = (ln.detail_wider[j, u] - drawn)[:, :, None] * _WIDER
    nodes += (ln.detail_narrower[j, u] - drawn)[:, :, None] * _NARROWER
    nodes += (drawn + ln.steps[j, table.height_of[p, b]])[:, :, None]
    return floats(nodes)


def _fit_nodes(block: ScoreBlock, classes: Index) -> Array:
    """ln of the chance that all sizes conform, were means and spreads as drawn: (J, n, POINTS).

    Kinds of size are drawn apart; sizes of one kind and axis share their draws.
    """
    found = block.fit_block
    if found is None:
        return np.zeros((*classes.shape, POINTS))
    feature, column = np.arange(len(found.limits))[:, None], np.repeat(classes, np.diff(found.start), axis=0)
    size = found.prediction
    mean, weight = size.mean[feature, column], size.weight[feature, column]
    inverse = np.sqrt(1.0 + 1.0 / weight) / size.scale[feature, column]  # of the spread of single sizes
    dof = size.dof[feature, column].astype(np.intp)
    narrowed = spread_points(ROWS, DOF_MAX)[found.row[:, None], dof]
    narrowed *= inverse[:, :, None]
    moved = normal_points(ROWS)[found.row][:, None, :] / np.sqrt(weight)[:, :, None]
    chance = ndtr((found.upper_mm[:, None] - mean)[:, :, None] * narrowed - moved)
    chance -= ndtr((found.lower_mm[:, None] - mean)[:, :, None] * narrowed - moved)
    logs = np.log(np.maximum(chance, CHANCE_MIN, out=chance), out=chance)
    return np.array([logs[first:last].sum(axis=0) for first, last in pairwise(found.start)])


def _chance_best(block: ScoreBlock, count: Index, nodes: tuple[Array, ...]) -> Array:
    jobs, n, _ = nodes[0].shape
    utility = _drawn(nodes[0] * block.weights[:, 0, None, None], 0)
    for k in range(1, 4):
        utility += _drawn(nodes[k] * block.weights[:, k, None, None], k)
    utility = utility.reshape(jobs, n, -1)
    utility[np.arange(n)[None, :] >= count[:, None]] = -np.inf
    wins = (utility == utility.max(axis=1, keepdims=True)).astype(np.float64)
    wins /= wins.sum(axis=1, keepdims=True)
    return floats(wins.mean(axis=2))


def _drawn(weighted: Array, cause: int) -> Array:
    """The values (J, n * DRAWS) that one cause takes in every draw, from its nodes (J, n, nodes)."""
    jobs, n, nodes = weighted.shape
    which = draws(nodes, n, cause) + (np.arange(n) * nodes)[:, None]
    return floats(np.take(weighted.reshape(jobs, -1), which.ravel(), axis=1))
