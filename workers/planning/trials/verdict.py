"""Does a bore hold a use? Answered where the runs settle it, else with the number of runs that would.

A size holds when, at the stated confidence, at least the wanted share of copies lies within its limits. Each limit
has its own exact one-sided tolerance bound, k = t(confidence; dof, z sqrt(n)) / sqrt(n) with t noncentral Student
(NIST/SEMATECH e-Handbook 7.2.6.3; Hahn & Meeker 1991, Statistical Intervals, 4.6; from memory); half of the share that
may fail goes to either side. A yes-or-no measure has exact limits of its share (Clopper & Pearson 1934).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from scipy.special import nctdtrit, ndtri

from workers.planning.trials.power import first_true
from workers.planning.trials.shares import share_limits

CONFIDENCE = 0.9  # that a verdict is right, each side of it
MOST = 200  # runs of a bore: beyond it the question is not worth settling this way


class Answer(StrEnum):
    HOLDS = "holds"
    DOES_NOT = "does-not"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Judged:
    """more_runs: of this bore, that would settle it if they come out as those so far; None: settled, or over MOST."""

    answer: Answer
    more_runs: int | None = None


@dataclass(frozen=True, slots=True)
class SizeSample:
    """Errors of one size at one bore: n runs, their mean, and the sd of copies with dof (of all bores together)."""

    n: int
    mean: float
    sd: float
    dof: int


def judge_size(sample: SizeSample, lower: float, upper: float, share: float) -> Judged:
    """lower, upper: limits of the error (measured - nominal), mm."""
    answer = _size_answer(sample, lower, upper, share)
    if answer is not Answer.UNDECIDED:
        return Judged(answer)

    def settled(n: int) -> bool:
        more = SizeSample(n, sample.mean, sample.sd, sample.dof + n - sample.n)
        return _size_answer(more, lower, upper, share) is not Answer.UNDECIDED

    needed = first_true(sample.n + 1, MOST, settled)
    return Judged(answer, None if needed is None else needed - sample.n)


def judge_share(yes: int, runs: int, share: float) -> Judged:
    """yes: runs that came out well."""
    answer = _share_answer(yes, runs, share)
    if answer is not Answer.UNDECIDED:
        return Judged(answer)
    rate = yes / runs if runs else 1.0
    for n in range(runs + 1, MOST + 1):
        if _share_answer(round(rate * n), n, share) is not Answer.UNDECIDED:
            return Judged(answer, n - runs)
    return Judged(answer)


def tolerance_factor(n: int, dof: int, share: float, confidence: float) -> float:
    """k such that mean + k sd lies above ``share`` of all copies with that confidence."""
    shift = float(ndtri(share)) * math.sqrt(n)
    return float(nctdtrit(dof, shift, confidence)) / math.sqrt(n)


def _size_answer(sample: SizeSample, lower: float, upper: float, share: float) -> Answer:
    if sample.dof < 1 or sample.n < 1:
        return Answer.UNDECIDED
    room = min(upper - sample.mean, sample.mean - lower)
    if sample.sd <= 0.0:
        return Answer.HOLDS if room >= 0.0 else Answer.DOES_NOT
    if room >= sample.sd * tolerance_factor(sample.n, sample.dof, (1.0 + share) / 2.0, (1.0 + CONFIDENCE) / 2.0):
        return Answer.HOLDS
    # More than the share that may fail lies beyond one limit: the lower confidence limit of the same quantile.
    if room < sample.sd * tolerance_factor(sample.n, sample.dof, share, (1.0 - CONFIDENCE) / 2.0):
        return Answer.DOES_NOT
    return Answer.UNDECIDED


def _share_answer(yes: int, runs: int, share: float) -> Answer:
    if runs == 0:
        return Answer.UNDECIDED
    low, high = share_limits(yes, runs, 2.0 * CONFIDENCE - 1.0)
    if low >= share:
        return Answer.HOLDS
    return Answer.DOES_NOT if high < share else Answer.UNDECIDED
