"""What the last week taught: what came of the prints, beside what had been expected of them. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.pages.wording import hours, number
from workers.model.outcome import Outcome, OutcomeState

WEEK_S = 7 * 86_400.0
FLAGGED_SHOWN = 4


@dataclass(frozen=True, slots=True)
class Lesson:
    """One thing foretold and what it was: what, how many tell of it, both as words."""

    what: str
    of: int
    expected: str
    found: str


@dataclass(frozen=True, slots=True)
class WeekView:
    """capped: only the newest ``prints`` outcomes were read. flagged: of the week, not learnt until confirmed."""

    prints: int
    capped: bool
    lessons: tuple[Lesson, ...]
    flagged: tuple[Outcome, ...]
    more_flagged: int


def week_view(outcomes: Sequence[Outcome], *, capped: bool) -> WeekView:
    """``outcomes``: those of the week, newest first."""
    counted = [one for one in outcomes if one.state in (OutcomeState.LEARNT, OutcomeState.CONFIRMED)]
    flagged = [one for one in outcomes if one.state is OutcomeState.FLAGGED]
    lessons = (_good(counted), _clogs(counted), _sizes(counted), _hours(counted))
    return WeekView(
        prints=len(outcomes),
        capped=capped,
        lessons=tuple(one for one in lessons if one is not None),
        flagged=tuple(flagged[:FLAGGED_SHOWN]),
        more_flagged=max(len(flagged) - FLAGGED_SHOWN, 0),
    )


def _good(outcomes: Sequence[Outcome]) -> Lesson | None:
    told = [(one, one.expected) for one in outcomes if one.expected is not None]
    if not told:
        return None
    wanted = sum(expected.good_share for _, expected in told)
    return Lesson("Good copies", len(told), number(wanted, 1), str(sum(one.accepted for one, _ in told)))


def _clogs(outcomes: Sequence[Outcome]) -> Lesson | None:
    told = [(one, one.expected) for one in outcomes if one.expected is not None]
    if not told:
        return None
    wanted = sum(expected.clog_risk for _, expected in told)
    return Lesson("Copies with a clog", len(told), number(wanted, 2), str(sum(one.clogs > 0 for one, _ in told)))


def _sizes(outcomes: Sequence[Outcome]) -> Lesson | None:
    told = [s for one in outcomes for s in one.sizes if s.expected_probability is not None]
    if not told:
        return None
    within = sum(
        s.lower_mm is not None and s.upper_mm is not None and s.lower_mm <= s.measured_mm <= s.upper_mm for s in told
    )
    return Lesson(
        "Sizes within limits", len(told), number(sum(s.expected_probability or 0.0 for s in told), 1), str(within)
    )


def _hours(outcomes: Sequence[Outcome]) -> Lesson | None:
    told = [
        (one.print_h, one.expected.print_h)
        for one in outcomes
        if one.accepted and one.print_h is not None and one.expected is not None
    ]
    if not told:
        return None
    return Lesson("Hours of timed copies", len(told), hours(sum(e for _, e in told)), hours(sum(p for p, _ in told)))
