"""Predicted against observed. Reliability bins and the Brier score (Brier 1950, Mon. Weather Rev. 78, 1; memory)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from scipy.special import stdtrit

from workers.learning.intake import UNFINISHED, ln_time_ratio
from workers.model.check import ChanceCheck, ModelCheck, ReliabilityBin, SpreadCheck
from workers.model.outcome import Outcome

# Edges of the bins: finer at both ends, where clogs and good fits live. Ours, for reading only (engineering prior).
EDGES = (0.0, 0.01, 0.05, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 0.99, 1.0)
INSIDE = 0.9

Chance = tuple[float, bool]  # predicted, came true
Spread = tuple[float, float, float]  # error, scale, degrees of freedom


def check(outcomes: Iterable[Outcome]) -> tuple[ModelCheck, ...]:
    """One check a model version, in their order. Every outcome counts, flagged ones too: they were foretold badly."""
    by_version: dict[str, list[Outcome]] = {}
    for outcome in outcomes:
        if outcome.expected is not None:
            by_version.setdefault(outcome.expected.model_version, []).append(outcome)
    return tuple(_check(version, by_version[version]) for version in sorted(by_version))


def _check(version: str, outcomes: Sequence[Outcome]) -> ModelCheck:
    return ModelCheck(
        model_version=version,
        outcomes=len(outcomes),
        fit=chance_check([one for outcome in outcomes for one in _fits(outcome)]),
        clog=chance_check([one for outcome in outcomes for one in _clogs(outcome)]),
        good=chance_check([(o.expected.good_share, o.accepted) for o in outcomes if o.expected]),
        size=spread_check([one for outcome in outcomes for one in _sizes(outcome)]),
        time=spread_check([one for outcome in outcomes for one in _times(outcome)]),
    )


def chance_check(chances: Sequence[Chance]) -> ChanceCheck:
    if not chances:
        return ChanceCheck(n=0, predicted=None, observed=None, brier=None, brier_of_mean=None, bins=())
    predicted, observed = (np.array(column, dtype=np.float64) for column in zip(*chances, strict=True))
    share = float(observed.mean())
    place = np.clip(np.searchsorted(EDGES, predicted, side="right") - 1, 0, len(EDGES) - 2)
    return ChanceCheck(
        n=len(chances),
        predicted=float(predicted.mean()),
        observed=share,
        brier=float(((predicted - observed) ** 2).mean()),
        brier_of_mean=share * (1.0 - share),
        bins=tuple(
            ReliabilityBin(
                lower=EDGES[i],
                upper=EDGES[i + 1],
                n=int(inside.sum()),
                predicted=float(predicted[inside].mean()),
                observed=float(observed[inside].mean()),
            )
            for i in range(len(EDGES) - 1)
            if (inside := place == i).any()
        ),
    )


def spread_check(spreads: Sequence[Spread]) -> SpreadCheck:
    if not spreads:
        return SpreadCheck(n=0, error=None, error_sd=None, inside_90=None)
    error, scale, dof = np.array(spreads).T
    inside = np.abs(error) <= scale * stdtrit(dof, 0.5 + INSIDE / 2.0)
    return SpreadCheck(
        n=len(spreads),
        error=float(error.mean()),
        error_sd=float(error.std(ddof=1)) if len(spreads) > 1 else None,
        inside_90=float(inside.mean()),
    )


def _fits(outcome: Outcome) -> Iterator[Chance]:
    for size in outcome.sizes:
        if size.expected_probability is not None and size.lower_mm is not None and size.upper_mm is not None:
            yield size.expected_probability, size.lower_mm <= size.measured_mm <= size.upper_mm


def _clogs(outcome: Outcome) -> Iterator[Chance]:
    """A copy that broke off for another reason says nothing of the clogs it might have had."""
    if outcome.expected and (outcome.clogs or outcome.accepted or outcome.scrap_reason not in UNFINISHED):
        yield outcome.expected.clog_risk, outcome.clogs > 0


def _sizes(outcome: Outcome) -> Iterator[Spread]:
    for size in outcome.sizes:
        if size.expected_mean_mm is not None and size.expected_scale_mm and size.expected_dof:
            yield size.measured_mm - size.expected_mean_mm, size.expected_scale_mm, size.expected_dof


def _times(outcome: Outcome) -> Iterator[Spread]:
    expected = outcome.expected
    if expected and outcome.print_h and ln_time_ratio(outcome) is not None:
        yield math.log(outcome.print_h / expected.print_h), expected.print_ln_scale, expected.print_dof
