"""Posteriors as a few equally likely values, and draws from them that are the same everywhere and for ever.

A quantity with one cause has ten nodes, the middles of ten equal shares of probability: the first is the 5 % and the
last the 95 % point, so they bound the 90 % credible interval. The fit has several causes (means and spreads of
several kinds of size), so it has nineteen points drawn from all of them together: the range of nineteen draws holds
the next one with a chance of (19 - 1) / (19 + 1) = 90 % (order statistics; David & Nagaraja, from memory). Draws are
stratified (Latin hypercube; McKay, Beckman & Conover 1979, Technometrics 21, 239, from memory): every node comes up
equally often.
"""

from __future__ import annotations

import random
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv, ndtri, stdtrit

from workers.learning.arrays import Array, floats
from workers.learning.evidence import GammaBelief, NormalBelief

NODES, POINTS = 10, 19  # ours, for the reason above
SHARES = (np.arange(NODES) + 0.5) / NODES
NORMAL_NODES: Array = floats(ndtri(SHARES))
HIGH = NODES - 1  # the node at 95 %
DRAWS = 190  # ours: a whole number of NODES and of POINTS

_SEED = 20_260_101  # any constant will do (no source)

Index = NDArray[np.intp]


def gamma_nodes(belief: GammaBelief) -> Array:
    """Rates (P, NODES) of beliefs (P,)."""
    return floats(gammaincinv(belief.a[:, None], SHARES) / belief.b[:, None])


def mean_nodes(belief: NormalBelief) -> Array:
    """How far the mean may lie from where it is believed to be (P, NODES)."""
    return floats(stdtrit(belief.dof[:, None], SHARES) * np.sqrt(belief.variance / belief.weight)[:, None])


@cache
def student_nodes(dof_max: int) -> Array:
    """Student t (dof_max + 1, NODES) by whole degrees of freedom; row 0 is not used."""
    dof = np.maximum(np.arange(dof_max + 1), 1.0)
    return floats(stdtrit(dof[:, None], SHARES))


@cache
def normal_points(rows: int) -> Array:
    """Independent standard normal points (rows, POINTS), one row a cause."""
    return floats(ndtri(_shuffled(rows, _SEED)))


@cache
def spread_points(rows: int, dof_max: int) -> Array:
    """Factors (rows, dof_max + 1, POINTS) on the inverse of a spread: sqrt(chi squared / dof), one row a cause."""
    half = np.maximum(np.arange(dof_max + 1), 1.0)[None, :, None] / 2.0
    return floats(np.sqrt(gammaincinv(half, _shuffled(rows, _SEED + 1)[:, None, :]) / half))


@cache
def draws(nodes: int, slots: int, cause: int) -> Index:
    """Which of its nodes each slot takes in each draw (slots, DRAWS), for one cause of doubt."""
    source = random.Random(_SEED + 2 + cause)  # nosec B311  # a seeded draw, no secret
    ranks = [_ranks(source, DRAWS) for _ in range(slots)]
    return np.array(ranks, dtype=np.intp) * nodes // DRAWS


def _shuffled(rows: int, seed: int) -> Array:
    """The middles of POINTS equal shares, each row in an order of its own."""
    source = random.Random(seed)  # nosec B311  # a seeded draw, no secret
    return (np.array([_ranks(source, POINTS) for _ in range(rows)]) + 0.5) / POINTS


def _ranks(source: random.Random, n: int) -> list[int]:
    """0 to n - 1 in an order that depends on random() alone, which keeps its values from version to version."""
    values = [source.random() for _ in range(n)]
    order = sorted(range(n), key=values.__getitem__)
    rank = [0] * n
    for place, at in enumerate(order):
        rank[at] = place
    return rank
