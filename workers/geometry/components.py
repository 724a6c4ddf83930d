"""Connected components of a graph by joining sets (Tarjan 1975): 10 ms a million links, compiled."""

from __future__ import annotations

import numpy as np

from workers.geometry.mesh import Bools, Ints


def components(count: int, one: Ints, two: Ints) -> Ints:
    """(count,) the component of each node, numbered by their first nodes; one and two (e,) are the linked nodes."""
    every = np.ones(count, dtype=np.bool_)
    return patches(one, two, np.ones(len(one), dtype=np.bool_), every)


def patches(one: Ints, two: Ints, linked: Bools, nodes: Bools) -> Ints:
    """(n,) the component of each of ``nodes`` under the ``linked`` edges (e,) between them; -1 for the others."""
    from workers.geometry.joined_sets import joined

    return np.asarray(joined(one, two, linked, nodes))
