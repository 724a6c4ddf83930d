"""Plain-text logging to standard error: one line an event, its fields as key=value."""

from __future__ import annotations

import logging
import sys
import time

from workers.store.origin import request_id

LINE = "%(asctime)s %(levelname)-7s %(name)s[%(process)d] %(message)s"


class UtcFormatter(logging.Formatter):
    """The one form of a log line; times are UTC with milliseconds (ISO 8601)."""

    converter = staticmethod(time.gmtime)
    default_time_format = "%Y-%m-%dT%H:%M:%S"
    default_msec_format = "%s.%03dZ"


class _OfRequest(logging.Filter):
    """A line that is written while a request is served names it."""

    def filter(self, record: logging.LogRecord) -> bool:
        if (named := request_id()) and "request_id=" not in str(record.msg):
            record.msg = f"{record.msg} request_id={named}"
        return True


def line_formatter() -> logging.Formatter:
    return UtcFormatter(LINE)


def configure_logging(level: str) -> None:
    """Send the root logger to standard error as one line an event, times in UTC. Call once a process."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(line_formatter())
    handler.addFilter(_OfRequest())
    logging.basicConfig(level=level, handlers=[handler], force=True)


def event(message: str, **values: object) -> str:
    """Give a log line: the message, then its fields as key=value; a value with blanks is quoted."""
    return " ".join((message, *(f"{name}={_shown(value)}" for name, value in values.items())))


def _shown(value: object) -> str:
    text = f"{value:.3g}" if isinstance(value, float) else str(value)
    return repr(text) if not text or any(sign.isspace() for sign in text) else text
