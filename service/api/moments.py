"""RFC 3339 date-times outside, UTC epoch seconds inside."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Any

_RFC3339 = re.compile(
    r"\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}:\d{2}(?P<fraction>\.\d{1,9})?(?:[Zz]|[+-]\d{2}:\d{2})", re.ASCII
)
_EARLIEST = datetime(2000, 1, 1, tzinfo=UTC).timestamp()
_LATEST = datetime(2101, 1, 1, tzinfo=UTC).timestamp()


def parse_moment(text: str) -> float | None:
    """Epoch seconds, or None where the text is no RFC 3339 date-time of the years 2000 to 2100."""
    if not _RFC3339.fullmatch(text):
        return None
    try:
        moment = datetime.fromisoformat(text.upper()).timestamp()
    except ValueError:  # a month 13, a leap second
        return None
    return moment if _EARLIEST <= moment < _LATEST else None


def format_moment(epoch_s: float) -> str:
    """``2026-05-04T16:00:00Z``, with milliseconds or microseconds where there are any."""
    moment = datetime.fromtimestamp(round(epoch_s, 6), UTC)
    places = "seconds" if not moment.microsecond else "microseconds"
    if moment.microsecond and moment.microsecond % 1000 == 0:
        places = "milliseconds"
    return moment.isoformat(timespec=places).replace("+00:00", "Z")


def is_moment(name: str) -> bool:
    """Whether a field holds a moment: ``at``, ``as_of`` or ``..._at``, but not a quantity at one (``..._cm3_at``)."""
    return name in {"at", "as_of"} or (name.endswith("_at") and not name.endswith("_cm3_at"))


def with_moments(plain: Any) -> Any:
    """Plain data with every number that is a moment turned into RFC 3339 text."""
    if isinstance(plain, dict):
        return {key: _shown(key, value) for key, value in plain.items()}
    if isinstance(plain, list):
        return [with_moments(value) for value in plain]
    return plain


def _shown(key: str, value: Any) -> Any:
    if isinstance(value, (int, float)) and is_moment(key):
        return format_moment(value)
    return with_moments(value)
