"""Posteriors as a few equally likely values, and draws from them that are the same everywhere and for ever.

Ten nodes, the middles of ten equal shares of probability: the first is the 5 % and the last the 95 % point, so
they bound the 90 % credible interval. Draws are stratified (Latin hypercube; McKay, Beckman & Conover 1979,
Technometrics 21, 239, from memory): every node comes up equally often.
"""

from __future__ import annotations

import random
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv, ndtri, stdtrit

from workers.learning.arrays import Array, floats
from workers.learning.evidence import GammaBelief, NormalBelief

NODES = 10
SHARES = (np.arange(NODES) + 0.5) / NODES
NORMAL_NODES: Array = floats(ndtri(SHARES))
LOW, HIGH = 0, NODES - 1  # the nodes at 5 % and at 95 %
DRAWS = 120  # a whole number of NODES

_SEED = 20_260_101  # any constant will do


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
def draws(quantities: int, slots: int) -> NDArray[np.intp]:
    """Which node each quantity of each slot takes in each draw (quantities, slots, DRAWS)."""
    source = random.Random(_SEED)
    ranks = [_ranks([source.random() for _ in range(DRAWS)]) for _ in range(quantities * slots)]
    return (np.array(ranks, dtype=np.intp) * NODES // DRAWS).reshape(quantities, slots, DRAWS)


def _ranks(values: list[float]) -> list[int]:
    order = sorted(range(len(values)), key=values.__getitem__)
    rank = [0] * len(values)
    for place, at in enumerate(order):
        rank[at] = place
    return rank
