"""One id a request: taken from the caller where it brings one, told in the answer, and in each line of the log.

Callers name it with ``X-Request-Id``, or with the trace id of ``traceparent`` (W3C Trace Context, Recommendation of
23 November 2021, section 3.2).
"""

from __future__ import annotations

import re
import secrets

from flask import Flask, Request, Response, request

from workers.store.origin import at_work_for, request_id

HEADER = "X-Request-Id"
_GIVEN = re.compile(r"[A-Za-z0-9._:-]{1,64}")
_TRACE = re.compile(r"(?!ff)[0-9a-f]{2}-((?!0{32})[0-9a-f]{32})-(?!0{16})[0-9a-f]{16}-[0-9a-f]{2}(-.*)?")


def name_requests(app: Flask) -> None:
    """Registered first: whatever is refused or fails later has its id by then."""
    app.before_request(lambda: at_work_for(id_of(request)))
    app.after_request(_tell)
    app.teardown_request(lambda _: at_work_for(""))


def id_of(asked: Request) -> str:
    """What is not of the right form is passed over, as Trace Context has it."""
    given = asked.headers.get(HEADER, "")
    if _GIVEN.fullmatch(given):
        return given
    trace = _TRACE.fullmatch(asked.headers.get("traceparent", "").strip())
    return trace.group(1) if trace is not None else secrets.token_hex(16)


def _tell(response: Response) -> Response:
    response.headers[HEADER] = request_id()
    return response
