"""How firm a choice is: how far one weight must move before another candidate wins.

Weight k moves from w to x and the others are rescaled to sum to 1 - x, so every utility is a straight line in x.
With g the choice's lead in utility over a candidate and d its lead in ln score k, the candidate overtakes at
x = w + (1 - w) / (1 - d/g): the smallest d/g (below 0) gives the nearest flip above w, the largest (above 1/w)
the nearest below. So one division serves all four weights.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from workers.model.routing import Flip, Weighed
from workers.routing.score import ScoreBlock

Array = NDArray[np.float64]
Index = NDArray[np.intp]

TIE = 1e-12  # a lead below this is none: the candidate overtakes at once


def flips(block: ScoreBlock, chosen: Index) -> list[tuple[Flip, ...]]:
    """For each job and weight, the nearest lower and higher value at which a feasible candidate overtakes.

    chosen (J,): flat index pairing * B + bead of each job's choice; -1 where there is none (no flips then).
    A weight of 1 leaves the others without a ratio, so it has no flip.
    """
    if block.utility.size == 0:
        return [()] * len(chosen)
    now, names = block.weights.tolist(), block.table.names
    found = [_nearest(block, j, int(at)) if at >= 0 else () for j, at in enumerate(chosen)]
    return [
        tuple(
            _flip(weight, now[j][k], *nearest, names=names)
            for k, (weight, nearest) in enumerate(zip(Weighed, found[j], strict=False))
        )
        for j in range(len(chosen))
    ]


def _nearest(block: ScoreBlock, j: int, chosen: int) -> tuple[tuple[float, int, float, int], ...]:
    """For each weight of one job: largest d/g and its candidate, smallest d/g and its candidate."""
    utility = block.utility[j].ravel()
    lead = utility[chosen] - utility  # infinite for what is not feasible, which then never overtakes
    np.maximum(lead, TIE, out=lead)
    np.reciprocal(lead, out=lead)
    lead[chosen] = 0.0
    found = []
    for own in _own_leads(block, j, chosen):
        ratio = np.multiply(own, lead, out=own)
        most, least = int(ratio.argmax()), int(ratio.argmin())
        found.append((float(ratio[most]), most, float(ratio[least]), least))
    return tuple(found)


def _own_leads(block: ScoreBlock, j: int, chosen: int) -> Iterator[Array]:
    """d of every candidate (P*B,), for each of the four scores."""
    table, ln = block.table, block.ln
    detail = ln.detail[j][table.width_of]
    detail += ln.steps[j][table.height_of]
    clog = np.repeat(ln.clog[j], table.shape[1])
    for own in (detail.ravel(), ln.fit[j][table.fit_class_of].ravel(), clog, ln.time[j].ravel()):
        yield own[chosen] - own


def _flip(
    weight: Weighed, now: float, most: float, most_at: int, least: float, least_at: int, *, names: tuple[str, ...]
) -> Flip:
    falls = now > 0.0 and now < 1.0 and most > 1.0 / now
    rises = now < 1.0 and least < 0.0
    return Flip(
        weight=weight,
        now=now,
        falls_to=max(0.0, now - (1.0 - now) / (most - 1.0)) if falls else None,
        falls_to_winner=names[most_at] if falls else None,
        rises_to=min(1.0, now + (1.0 - now) / (1.0 - least)) if rises else None,
        rises_to_winner=names[least_at] if rises else None,
    )
