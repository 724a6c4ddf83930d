"""Components of random graphs, and of a long chain, are those scipy finds."""

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from workers.geometry import components as module
from workers.geometry.components import components


def by_scipy(count, one, two):
    graph = coo_matrix((np.ones(len(one)), (one, two)), shape=(count, count))
    return connected_components(graph, directed=False)[1]


@pytest.mark.parametrize(("nodes", "links"), [(1, 0), (5, 0), (40, 30), (2_000, 1_500), (2_000, 6_000)])
def test_labels_are_those_of_scipy(nodes, links):
    one, two = np.random.default_rng(nodes + links).integers(0, nodes, (2, links))
    assert np.array_equal(components(nodes, one, two), by_scipy(nodes, one, two))


def test_a_shuffled_chain_is_one_component():
    order = np.random.default_rng(3).permutation(5_000)
    assert components(5_000, order[:-1], order[1:]).max() == 0


def test_very_many_links_give_the_same_labels(monkeypatch):
    one, two = np.random.default_rng(4).integers(0, 900, (2, 700))
    few = components(900, one, two)
    monkeypatch.setattr(module, "_MANY", 10)
    assert np.array_equal(components(900, one, two), few)
