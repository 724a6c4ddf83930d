"""Connected components of a graph, without the second that importing a sparse-matrix library takes."""

from __future__ import annotations

from typing import Any

import numpy as np

from workers.geometry.mesh import Ints

_MANY = 300_000  # links; from here on the library's own search is quicker, its import included


def components(count: int, one: Ints, two: Ints) -> Ints:
    """(count,) the component of each node, numbered by their first nodes; one and two (e,) are the linked nodes."""
    if len(one) > _MANY:
        return _by_library(count, one, two)
    root = np.arange(count)
    while len(one):
        one, two = root[one], root[two]
        apart = one != two
        one, two = one[apart], two[apart]
        np.minimum.at(root, np.maximum(one, two), np.minimum(one, two))
        root = _settled(root)
    return np.asarray(np.unique(root, return_inverse=True)[1])


def _settled(root: Ints) -> Ints:
    """Every node pointing to the end of its chain."""
    while True:
        further = root[root]
        if np.array_equal(further, root):
            return root
        root = further


def _by_library(count: int, one: Ints, two: Ints) -> Ints:
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    graph: Any = coo_matrix((np.ones(len(one), dtype=np.int8), (one, two)), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1])
