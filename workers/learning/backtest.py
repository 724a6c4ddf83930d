"""Replays outcomes in the order of time: foretell each from all that came before it, then learn it.

Only what outcomes carry is needed: the priors of their time. Calibrations are left out, so a replay says how well
the models do on outcomes alone; ``good`` is left as it was routed. Outcomes that were not learnt are passed over.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from scipy.special import stdtr

from workers.learning.arrays import floats
from workers.learning.check import check
from workers.learning.evidence import NormalBelief, chance_of_event, predictive, update_normal_by_moments
from workers.learning.intake import pairing_key, sums_of
from workers.learning.pooling import SIZE_RATIOS, Book, clog_belief, clog_prior, pooled, size_moments, time_belief
from workers.model.check import ModelCheck
from workers.model.evidence import EvidenceKey
from workers.model.outcome import Expected, MeasuredSize, Outcome, OutcomeState


def backtest(outcomes: Iterable[Outcome], since: float | None = None) -> tuple[ModelCheck, ...]:
    """The check of what would have been foretold, by the model version that made the priors.

    ``since``: outcomes before that moment are learnt and not checked.
    """
    learnt = (o for o in outcomes if o.state in (OutcomeState.LEARNT, OutcomeState.CONFIRMED))
    book, replayed = Book(), []
    for outcome in sorted(learnt, key=lambda o: (o.at, o.id)):
        if since is None or outcome.at >= since:
            replayed.append(foretold(book, outcome))
        book.add(sums_of(outcome))
    return check(replayed)


def foretold(book: Book, outcome: Outcome) -> Outcome:
    """The outcome with what ``book`` would have made one expect of it."""
    key = pairing_key(outcome)
    return replace(
        outcome,
        expected=None if outcome.expected is None else _expected(book, key, outcome.expected),
        sizes=tuple(_size(book, key, size) for size in outcome.sizes),
    )


def _expected(book: Book, key: EvidenceKey, then: Expected) -> Expected:
    clogs, ln_time = clog_belief(book, [key], clog_prior(then.prior_clog_per_cm3)), time_belief(book, [key])
    spread = predictive(ln_time)
    return replace(
        then,
        print_h=then.prior_print_h * math.exp(ln_time.mean[0]),
        print_ln_scale=float(spread.scale[0]),
        print_dof=float(spread.dof[0]),
        clog_risk=float(chance_of_event(clogs.a, clogs.b, then.volume_cm3)[0]),
    )


def _size(book: Book, key: EvidenceKey, size: MeasuredSize) -> MeasuredSize:
    if size.prior_mean_mm is None or size.prior_scale_mm is None:
        return size
    found = pooled(book, replace(key, kind=size.kind, axis=size.axis), size_moments, SIZE_RATIOS)
    spread = size.prior_scale_mm**2 / (1.0 + 1.0 / SIZE_RATIOS.prior)
    squares = SIZE_RATIOS.dof * spread + found.squares
    prior = NormalBelief(*map(floats, (found.mean, found.weight, found.dof, squares / found.dof)))
    next_size = predictive(update_normal_by_moments(prior, found.own.n, found.own.mean, found.own.squares))
    mean, scale = size.prior_mean_mm + float(next_size.mean), float(next_size.scale)
    return replace(
        size,
        expected_mean_mm=mean,
        expected_scale_mm=scale,
        expected_dof=float(next_size.dof),
        expected_probability=_inside(size, mean, scale, float(next_size.dof)),
    )


def _inside(size: MeasuredSize, mean: float, scale: float, dof: float) -> float | None:
    if size.lower_mm is None or size.upper_mm is None:
        return None
    return float(stdtr(dof, (size.upper_mm - mean) / scale) - stdtr(dof, (size.lower_mm - mean) / scale))
