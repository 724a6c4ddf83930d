"""Small and middling line-up problems, from a seed."""

from __future__ import annotations

import numpy as np

from workers.planning.lineup.problem import LineUpProblem


def random_problem(
    seed: int, *, entries: int, machines: int, kinds: int, slots: int = 1, tight: float = 1.0
) -> LineUpProblem:
    """tight: hours needed at the fastest, as a share of all room. One pairing in five cannot print."""
    source = np.random.default_rng(seed)
    machine, kind = np.repeat(np.arange(machines), kinds), np.tile(np.arange(kinds), machines)
    volume = source.lognormal(1.0, 1.0, entries)
    pace = source.uniform(0.5, 2.0, kinds)[kind] * source.uniform(0.8, 1.2, machines)[machine]
    hours = volume[:, None] / pace
    cost = 2.0 * hours + source.uniform(0.0, 6.0, (entries, kinds))[:, kind]
    refused = source.random(cost.shape) < 0.2
    fastest = np.where(refused, np.inf, hours).min(axis=1)
    need = float(fastest[np.isfinite(fastest)].sum())
    return LineUpProblem(
        cost=np.where(refused, np.inf, cost),
        hours=np.where(refused, 0.0, hours),
        outside=10.0 + 6.0 * volume,
        machine=machine,
        kind=kind,
        once=source.uniform(0.0, 3.0, machines * kinds),
        slots=source.integers(1, slots + 1, machines),
        pieces=source.integers(0, 3, kinds),
        room=np.full(machines, need / machines / tight),
        overload=source.uniform(1.0, 6.0, machines),
    )
