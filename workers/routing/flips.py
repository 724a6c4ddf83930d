"""How firm a choice is: how far one weight must move before another candidate wins.

Weight k moves to x and the others are rescaled to sum to 1 - x, so a candidate's utility is the straight
line x l_k + (1 - x) r_k, with l_k its ln score and r_k the mean of its other ln scores under the other weights.
Two candidates cross at x = dr / (dr - dl), where dl and dr are the choice's lead in l_k and in r_k.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workers.model.routing import Flip, Weighed
from workers.routing.score import ScoreBlock

Array = NDArray[np.float64]


def flips(block: ScoreBlock, j: int, p: int, b: int) -> tuple[Flip, ...]:
    """For each weight, the nearest lower and higher value at which a feasible candidate overtakes (p, b)."""
    logs, weights = _ln_scores(block, j), block.weights[j]
    feasible = block.feasible[j].ravel()
    chosen = p * block.table.shape[1] + b
    own_lead = logs[:, chosen, None] - logs
    rest = _other_weights(weights) @ logs
    rest_lead = rest[:, chosen, None] - rest
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = rest_lead / (rest_lead - own_lead)
    now = weights[:, None]
    up = np.where((own_lead < 0.0) & (crossing >= now) & feasible, crossing, np.inf)
    down = np.where((rest_lead < 0.0) & (crossing <= now) & feasible, crossing, -np.inf)
    return tuple(
        _flip(block, weight, float(weights[k]), up[k], int(u), down[k], int(d))
        for k, (weight, u, d) in enumerate(zip(Weighed, up.argmin(axis=1), down.argmax(axis=1), strict=True))
    )


def _ln_scores(block: ScoreBlock, j: int) -> Array:
    """(4, P*B) ln scores of one job."""
    table, ln = block.table, block.ln
    p, b = table.shape
    logs = np.empty((4, p, b))
    logs[0] = ln.detail[j][table.width_of]
    logs[0] += ln.steps[j][table.height_of]
    logs[1] = ln.fit[j][table.fit_class_of]
    logs[2] = ln.clog[j][:, None]
    logs[3] = ln.time[j]
    return logs.reshape(4, p * b)


def _other_weights(weights: Array) -> Array:
    """(4, 4): row k holds the other weights, rescaled to sum to 1; alike where all weight lies on k."""
    others = np.tile(weights, (4, 1))
    np.fill_diagonal(others, 0.0)
    alone = others.sum(axis=1) <= 0.0
    others[alone] = 1.0
    np.fill_diagonal(others, 0.0)
    return others / others.sum(axis=1, keepdims=True)


def _flip(block: ScoreBlock, weight: Weighed, now: float, up: Array, u: int, down: Array, d: int) -> Flip:
    rises, falls = float(up[u]), float(down[d])
    return Flip(
        weight=weight,
        now=now,
        falls_to=falls if np.isfinite(falls) else None,
        falls_to_winner=_name(block, d) if np.isfinite(falls) else None,
        rises_to=rises if np.isfinite(rises) else None,
        rises_to_winner=_name(block, u) if np.isfinite(rises) else None,
    )


def _name(block: ScoreBlock, flat: int) -> str:
    """``machine / nozzle / material, bead w x h mm``."""
    p, b = divmod(flat, block.table.shape[1])
    pairing = block.table.pairings[p]
    bead = f"{block.table.width[p, b]:.3g} x {block.table.height[p, b]:.3g} mm"
    return f"{pairing.machine.id} / {pairing.nozzle.id} / {pairing.material.id}, bead {bead}"
