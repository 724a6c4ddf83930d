"""Compiled: sets of nodes joined along links."""

from __future__ import annotations

import numpy as np

from workers.geometry.compiled import compiled


@compiled("int64(int64[::1], int64)")
def root_of(parent, node):  # type: ignore[no-untyped-def]
    """The end of a node's chain, which is halved on the way."""
    while parent[node] != node:
        parent[node] = parent[parent[node]]
        node = parent[node]
    return node


@compiled("int64[::1](int64[::1], int64[::1], bool_[::1], bool_[::1])")
def joined(one, two, linked, nodes):  # type: ignore[no-untyped-def]
    """(n,) the set of each of ``nodes``, numbered by their first; -1 for the others. Arguments as for ``patches``."""
    parent = np.arange(len(nodes))
    for e in range(len(one)):
        if linked[e] and nodes[one[e]] and nodes[two[e]]:
            a, b = root_of(parent, one[e]), root_of(parent, two[e])
            parent[max(a, b)] = min(a, b)  # so that a root is the first of its set
    count = 0
    for node in range(len(nodes)):
        if not nodes[node]:
            parent[node] = -1
        elif parent[node] == node:
            parent[node] = count
            count += 1
        else:  # what it points to comes before it, and has its number
            parent[node] = parent[parent[node]]
    return parent
