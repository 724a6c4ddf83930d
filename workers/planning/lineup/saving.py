"""How sure the saving is: the jobs drawn again (bootstrap), and what the models are unsure of drawn with them.

In each draw as many jobs are drawn from the mix with replacement (Efron 1979, Annals of Statistics 7, 1-26; memory),
every pairing's hours, clog rate, sizes and bead are taken from the models' nodes, the same for all of its jobs.
Both line-ups then print that mix at their best (by dual ascent, from the rents that they had): the difference is one
saving.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from workers.model.lineup import LineUpPrices, Saving
from workers.planning.lineup.answer import Account
from workers.planning.lineup.cost import Lots, hours_of, parts_of
from workers.planning.lineup.mix import Deep
from workers.planning.lineup.problem import Floats, Ints, LineUpProblem, once_of
from workers.planning.lineup.share import Shared, ascended, weighted_dual

DRAWS = 200  # ours: the 5 % and 95 % points then rest on ten draws each
ASCENTS = 12  # steps from the rents of the mix itself
LOW, HIGH = 0.05, 0.95
AIM = 0.01  # of the cost: level of the first step


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One of the two line-ups: its columns in the deep arrays, its mountings, its rents and what it costs once."""

    columns: Ints
    at: Ints
    rent: Floats
    once: float


def saving_of(
    account: Account,
    today: Shared,
    best: Shared,
    *,
    seed: int,
    stop: Callable[[], bool] = lambda: False,
    draws: int = DRAWS,
) -> Saving:
    """account: holds the mountings of both line-ups. A stop leaves fewer draws."""
    problem, deep, source = account.problem, account.deep, np.random.default_rng(seed)
    sides = [_side(problem, one, account.mountings) for one in (today, best)]
    found: list[float] = []
    for _ in range(draws):
        if stop():
            break
        weight = _resampled(deep.lots.count, source)
        cost, hours = _drawn(deep, account.prices, source)
        one, two = (_cost(problem, side, cost, hours, weight) for side in sides)
        found.append(one - two)
    expected = today.cost - best.cost
    low, high = np.quantile(found, [LOW, HIGH]).tolist() if found else (expected, expected)
    return Saving(
        expected=expected,
        share=expected / today.cost if today.cost > 0 else 0.0,
        low=low,
        high=high,
        chance=float(np.mean(np.array(found) > 0.0)) if found else 0.0,
        draws=len(found),
    )


def _side(problem: LineUpProblem, line: Shared, mountings: Ints) -> _Side:
    at = np.array(line.lineup, dtype=np.int64)
    return _Side(np.searchsorted(mountings, at), at, line.rent, once_of(problem, line.lineup))


def _resampled(count: Floats, source: np.random.Generator) -> Floats:
    """How often each entry comes, as a share of how often it was expected (J,)."""
    total = int(count.sum())
    drawn: Floats = source.multinomial(total, count / count.sum()) / count
    return drawn


def _drawn(deep: Deep, prices: LineUpPrices, source: np.random.Generator) -> tuple[Floats, Floats]:
    """Cost and hours (J, n), were each pairing as it may be."""
    pairs = int(deep.pair.max()) + 1
    terms = replace(
        deep.terms,
        print_h=deep.terms.print_h * _node(deep.slower, deep.pair, pairs, source),
        detail=np.exp(np.minimum(_node(deep.ln_detail, deep.pair, pairs, source), 0.0)),
        fit=np.exp(_node(deep.ln_fit, deep.pair, pairs, source)),
        risk=-np.expm1(_node(deep.ln_clog, deep.pair, pairs, source)),
    )
    lots = _two(deep.lots)
    cost = sum(parts_of(terms, lots, prices).values())
    return np.where(deep.usable, cost, np.inf), np.where(deep.usable, hours_of(terms, lots), 0.0)


def _two(lots: Lots) -> Lots:
    return lots.rows(slice(None), 2)


def _node(nodes: np.ndarray, pair: Ints, pairs: int, source: np.random.Generator) -> Floats:
    """One node of each pairing, the same for all of its jobs (J, n)."""
    which = source.integers(0, nodes.shape[2], pairs)[pair]
    return np.take_along_axis(nodes, which[:, :, None], axis=2)[:, :, 0].astype(np.float64)


def _cost(problem: LineUpProblem, side: _Side, cost: Floats, hours: Floats, weight: Floats) -> float:
    """What the line-up costs in this draw: a dual bound that is close, and exact where there is room enough."""
    mine, spent, rent = cost[:, side.columns], hours[:, side.columns], side.rent
    best, aim = -np.inf, 0.0
    for step in range(ASCENTS):
        value, slope = weighted_dual(problem, side.at, mine, spent, weight, rent)
        if step == 0:
            aim = AIM * abs(value)
        if value <= best:
            aim /= 2.0
        best = max(best, value)
        higher = ascended(problem, rent, slope, best + aim - value)
        if higher is None:
            break
        rent = higher
    return best + side.once
