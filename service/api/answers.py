"""Making answers: JSON bytes straight from frozen data, with the headers that go with them."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from flask import Response, request
from werkzeug.datastructures import MIMEAccept
from werkzeug.http import parse_accept_header

from service.api.etags import etag_of, is_current
from service.api.moments import with_moments
from service.exports import CSV, JSON_LINES
from service.problems import NotAcceptableError
from workers.model.codec import to_json, to_plain

JSON = "application/json"
NOT_JSON = (".svg", ".stl", ".csv", "/photo")  # how addresses end whose answers are something else
EVENT_STREAM = "text/event-stream"


def answer(body: bytes | str, status: int = 200, *, location: str | None = None, etag: str | None = None) -> Response:
    response = Response(body, status, mimetype=JSON)
    if location is not None:
        response.headers["Location"] = location
    if etag is not None:
        response.headers["ETag"] = etag
    return response


def plain(value: Any) -> Any:
    """Frozen data as plain data for the outside: moments are RFC 3339 text."""
    return with_moments(to_plain(value))


def versioned(body: dict[str, Any], status: int = 200, *, location: str | None = None) -> Response:
    """A record with its version as ETag; 304 where the caller of a GET has it already."""
    etag = etag_of(body["version"])
    if request.method in {"GET", "HEAD"} and is_current(etag):
        return Response(status=304, headers={"ETag": etag})
    return answer(to_json(body), status, location=location, etag=etag)


def empty() -> Response:
    return Response(status=204)


def takes_event_stream() -> bool:
    """Whether the Accept header names the event stream and does not prefer JSON."""
    return request.accept_mimetypes.best_match([JSON, EVENT_STREAM], JSON) == EVENT_STREAM


def takes_export() -> bool:
    """Whether the Accept header takes a report as CSV or JSON lines."""
    return request.accept_mimetypes.best_match([CSV, JSON_LINES]) is not None


def require_acceptable() -> None:
    """Raises NotAcceptableError where the Accept header rules JSON out. A before_request function."""
    accept, path = request.environ.get("HTTP_ACCEPT"), request.path
    if (
        accept
        and accept != "*/*"
        and path.startswith("/v1/")
        and not path.endswith(NOT_JSON)
        and not _takes_json(accept)
    ):
        if path == "/v1/events" and takes_event_stream():
            return
        if path.startswith("/v1/reports/") and takes_export():
            return
        raise NotAcceptableError(f"the Accept header is {accept[:200]!r}; answers are {JSON}")


@lru_cache(maxsize=256)
def _takes_json(accept: str) -> bool:
    if len(accept) > 2000:
        return False
    return parse_accept_header(accept, MIMEAccept).best_match([JSON]) is not None
