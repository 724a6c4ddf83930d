"""Components of random graphs, and of a long chain, are those scipy finds."""

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from workers.geometry.components import components, patches


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


def test_patches_hold_together_by_the_linked_edges_between_their_nodes_alone():
    rng = np.random.default_rng(4)
    one, two = rng.integers(0, 900, (2, 1_100))
    linked, nodes = rng.random(1_100) < 0.7, rng.random(900) < 0.8
    use = linked & nodes[one] & nodes[two]
    number = np.cumsum(nodes) - 1
    expected = np.full(900, -1)
    expected[nodes] = by_scipy(int(nodes.sum()), number[one[use]], number[two[use]])
    assert np.array_equal(patches(one, two, linked, nodes), expected)
