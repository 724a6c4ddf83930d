"""Figures, moments and states in words: the filters that the templates use."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

from workers.model.errors import FieldProblem
from workers.model.fleet import TipMaterial
from workers.model.job import JobState
from workers.model.routing import Weighed

STATE_WORDS: dict[JobState, str] = {
    JobState.ACCEPTED: "waits to be routed",
    JobState.ANALYSING: "part is being measured",
    JobState.ROUTED: "routed",
    JobState.UNROUTABLE: "no way to print it",
    JobState.FAILED: "could not be worked out",
    JobState.BOUND: "on a dispatch list",
    JobState.PRINTING: "printing",
    JobState.DONE: "done",
    JobState.SCRAPPED: "scrapped",
    JobState.CANCELLED: "cancelled",
}

SCORE_WORDS: dict[Weighed, str] = {
    Weighed.DETAIL: "Detail",
    Weighed.FIT: "Fit",
    Weighed.CLOG: "Clog",
    Weighed.TIME: "Time",
}

TIP_WORDS: dict[TipMaterial, str] = {
    TipMaterial.BRASS: "brass",
    TipMaterial.COATED_BRASS: "coated brass",
    TipMaterial.STAINLESS_STEEL: "stainless steel",
    TipMaterial.HARDENED_STEEL: "hardened steel",
    TipMaterial.CARBIDE: "carbide",
    TipMaterial.GEM: "gem",
}


EVENT_WORDS: dict[str, str] = {
    "job.accepted": "handed in",
    "job.analysing": "the part is being measured",
    "job.routed": "routed",
    "job.unroutable": "no way to print it was found",
    "job.failed": "could not be worked out",
    "job.bound": "put on a dispatch list",
    "job.printing": "printing began",
    "job.done": "done",
    "job.scrapped": "scrapped",
    "job.cancelled": "cancelled",
    "job.moved": "moved to another place",
    "claim.taken": "a copy was taken up",
    "claim.renewed": "a copy goes on",
    "claim.progress": "a copy goes on",
    "claim.lapsed": "a claim lapsed; the copy waits again",
    "claim.regained": "a lapsed claim was taken up again",
    "claim.given-back": "a copy was given back",
    "claim.finished": "a copy was finished",
}


def event_words(kind: str, data: Mapping[str, Any]) -> str:
    """An event of a job in words; one that has none yet goes by its name."""
    if kind == "job.accepted" and data.get("attempt", 1) > 1:
        return f"sent back to be routed (attempt {data['attempt']})"
    return EVENT_WORDS.get(kind, kind)


def state_words(state: JobState | str) -> str:
    return STATE_WORDS[JobState(state)]


def score_words(score: Weighed | str) -> str:
    return SCORE_WORDS[Weighed(score)]


def tip_words(tip: TipMaterial | str) -> str:
    return TIP_WORDS[TipMaterial(tip)]


def as_sentence(detail: str) -> str:
    """With a capital, and without the full stop that the page sets."""
    text = detail.rstrip(".")
    return text[:1].upper() + text[1:]


def problem_words(one: FieldProblem) -> str:
    """What is wrong with a field, and what it may be."""
    return f"{one.detail}; allowed: {one.allowed}" if one.allowed else one.detail


def number(value: float, places: int = 2) -> str:
    """A figure with at most that many decimals, and no zeros behind the last that counts."""
    text = f"{value:.{places}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text.replace("-", "\N{MINUS SIGN}")


def signed(value: float, places: int = 3) -> str:
    text = number(value, places)
    return text if text.startswith("\N{MINUS SIGN}") or text == "0" else f"+{text}"


def percent(share: float) -> str:
    """A share of 1 as percent; what is tiny or all but certain is said as such, never rounded to 0 or 100."""
    if 0.0 < share < 0.0005:
        return "under 0.1 %"
    if 0.9995 < share < 1.0:
        return "over 99.9 %"
    return f"{number(share * 100.0, 1)} %"


def hours(value: float) -> str:
    """Hours as ``2 h 05 min``, short ones as ``35 min``, from a hundred on without minutes."""
    if not math.isfinite(value):
        return "without end"
    minutes = round(value * 60.0)
    if minutes < 1:
        return "under 1 min"
    if minutes < 60:
        return f"{minutes} min"
    if minutes >= 6000:
        return f"{value:,.0f} h"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def machine_time(moment: float) -> str:
    """Epoch seconds as the value of a ``datetime`` attribute, in UTC."""
    return datetime.fromtimestamp(moment, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def reader_time(moment: float) -> str:
    """Epoch seconds as people write it, in UTC, which is said."""
    at = datetime.fromtimestamp(moment, UTC)
    return f"{at.day} {at.strftime('%b %Y, %H:%M')} UTC"


FILTERS: dict[str, Callable[..., str]] = {
    "event_words": event_words,
    "state_words": state_words,
    "score_words": score_words,
    "tip_words": tip_words,
    "number": number,
    "signed": signed,
    "percent": percent,
    "hours": hours,
    "machine_time": machine_time,
    "reader_time": reader_time,
}
