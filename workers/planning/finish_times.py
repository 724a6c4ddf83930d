"""When the jobs of a dispatch list are expected to start and finish, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

from scipy.special import ndtr

from workers.model.dispatch import Entry, Listed, Timing
from workers.planning.dispatch import Bench, setups

Z_90 = 1.6448536269514722  # standard normal: 90 % lie within +- this


def timings(bench: Bench, listed: Sequence[Listed]) -> list[Timing]:
    """When each job is expected to start and finish.

    A job whose spool is wet starts no sooner than it is dry. The error of the time model is
    the same for all copies of a job, and independent between jobs.
    """
    begin, variance = bench.busy_h, bench.busy_sd_h**2
    result = []
    for one, setup in zip(listed, setups(bench, listed), strict=True):
        entry, left = one.entry, one.waiting
        ready = bench.dry_h.get(entry.material_id, 0.0) if left else 0.0
        drying = max(ready - begin - setup, 0.0)
        start, start_sd = begin + setup + drying, sqrt(variance)
        begin = start + left * entry.copy_h
        variance += (left * entry.copy_h * entry.spread) ** 2 + left * entry.retry_sd_h**2
        result.append(_timing(entry, bench.now, (setup, drying), (start, start_sd), (begin, sqrt(variance))))
    return result


def _timing(
    entry: Entry, now: float, before: tuple[float, float], start: tuple[float, float], finish: tuple[float, float]
) -> Timing:
    (setup, drying), (start_h, start_sd), (finish_h, finish_sd) = before, start, finish
    return Timing(
        job_id=entry.job_id,
        setup_h=setup,
        drying_h=drying,
        start_h=start_h,
        start_low_h=max(start_h - Z_90 * start_sd, 0.0),
        start_high_h=start_h + Z_90 * start_sd,
        finish_h=finish_h,
        finish_low_h=max(finish_h - Z_90 * finish_sd, 0.0),
        finish_high_h=finish_h + Z_90 * finish_sd,
        lateness_risk=lateness_risk(entry, now, finish_h, finish_sd),
    )


def lateness_risk(entry: Entry, now: float, finish_h: float, sd_h: float) -> float | None:
    """Chance that a normally distributed finish lies behind the due date."""
    if entry.due_at is None:
        return None
    slack = (entry.due_at - now) / 3600.0 - finish_h
    if sd_h <= 0.0:
        return 1.0 if slack < 0.0 else 0.0
    return float(ndtr(-slack / sd_h))
