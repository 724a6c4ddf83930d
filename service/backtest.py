"""`borewright backtest`: stored outcomes replayed in the order of time, each foretold from all that came before it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import redis

from service.api.moments import format_moment, parse_moment
from service.opened_store import opened
from service.settings import Settings
from workers.learning.backtest import backtest
from workers.model.check import ChanceCheck, ModelCheck, SpreadCheck
from workers.store.outcomes import OutcomeRepository


class BacktestError(RuntimeError):
    """The replay cannot be run; the text is one sentence for the user."""


def run_backtest(settings: Settings, since: str | None, until: str | None) -> int:
    """Print the report; gives the exit code. Raises BacktestError, RedisServerError, FolderInUseError."""
    first, last = _moment(since, "--from"), _moment(until, "--to")
    with opened(settings) as stores:
        try:
            checks = replay(stores.outcomes, first, last)
        except redis.RedisError as error:
            raise BacktestError(f"the store does not answer: {type(error).__name__}.") from error
    print("\n".join(report(checks, first, last)))
    return 0


def replay(outcomes: OutcomeRepository, since: float | None, until: float | None) -> tuple[ModelCheck, ...]:
    """Outcomes before ``since`` are learnt and not judged; those from ``until`` on are left out."""
    taken = (one for one in outcomes.newest_first() if until is None or one.at < until)
    return backtest(taken, since=since)


def report(checks: tuple[ModelCheck, ...], since: float | None, until: float | None) -> Iterator[str]:
    """The checks in lines of text."""
    first = "the first" if since is None else format_moment(since)
    last = "the last" if until is None else format_moment(until)
    yield f"Outcomes from {first} to {last}, each foretold from those before it, then learnt; without calibrations."
    if not checks:
        yield "There is none that a routing had foretold."
    for check in checks:
        yield ""
        yield f"model version {check.model_version}: {check.outcomes} outcomes"
        yield from _chance("fit: a size within its limits", check.fit)
        yield from _chance("clog: a clog in the copy", check.clog)
        yield from _chance("good: the copy accepted (as it was routed)", check.good)
        yield _spread("size, mm", check.size)
        yield _spread("time, ln of hours over foretold", check.time)


def _chance(title: str, check: ChanceCheck) -> Iterator[str]:
    if check.brier is None or check.brier_of_mean is None or check.predicted is None or check.observed is None:
        yield f"  {title}: none"
        return
    yield (
        f"  {title}: {check.n}, foretold {check.predicted:.3f}, came true {check.observed:.3f}; "
        f"Brier {check.brier:.4f} ({check.brier_of_mean:.4f} for always saying {check.observed:.3f})"
    )
    for one in check.bins:
        yield (
            f"    {one.lower:5.2f} to {one.upper:4.2f}: {one.n:6d}, foretold {one.predicted:.3f}, "
            f"came true {one.observed:.3f}"
        )


def _spread(title: str, check: SpreadCheck) -> str:
    if check.error is None or check.inside_90 is None:
        return f"  {title}: none"
    scatter = "" if check.error_sd is None else f", scatter {check.error_sd:.4f}"
    inside = f"{100.0 * check.inside_90:.1f} % in the 90 % interval"
    return f"  {title}: {check.n}, off by {check.error:+.4f} on average{scatter}; {inside}"


def _moment(text: str | None, option: str) -> float | None:
    """A date (its beginning, UTC) or an RFC 3339 moment. Raises BacktestError."""
    if text is None:
        return None
    try:
        found = parse_moment(f"{date.fromisoformat(text).isoformat()}T00:00:00Z")
    except ValueError:
        found = parse_moment(text)
    if found is None:
        raise BacktestError(f"{option} is {text!r}; it must be a date as 2026-05-04, or 2026-05-04T16:00:00Z.")
    return found
