"""RFC 9457 problem details: the one shape of every refusal and failure, and the one place that makes it."""

from __future__ import annotations

import errno
import logging
import time
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any, ClassVar

import marshmallow as ma
import redis
from flask import Flask, Response, request
from flask_smorest import Api
from flask_smorest.utils import prepare_response
from werkzeug.exceptions import HTTPException

from service.log import event
from workers.model.codec import to_json
from workers.model.errors import (
    PROBLEM_BASE,
    BorewrightError,
    ConflictError,
    FieldProblem,
    InvalidError,
    NotFoundError,
    UnavailableError,
    VersionMismatchError,
    VersionRequiredError,
)
from workers.store.connection import unavailable
from workers.store.origin import request_id

log = logging.getLogger(__name__)

PROBLEM_JSON = "application/problem+json"
PROBLEMS_SHOWN = 100  # field problems in one answer
WAIT_STATUSES = frozenset({429, 503})
RETRY_AFTER = {"description": "Seconds to wait", "schema": {"type": "integer", "minimum": 0}}
RETRY_AFTER_S = 2  # engineering prior: a Redis that restarts is back within seconds
# Slug and title of the problems of each status; types of their own keep theirs.
WORDS: Mapping[int, tuple[str, str]] = {
    400: ("malformed", "The request could not be understood"),
    401: ("key-needed", "An access key is needed"),
    403: ("not-allowed", "The caller may not do this"),
    404: (NotFoundError.slug, NotFoundError.title),
    405: ("method-not-allowed", "This address does not take this method"),
    406: ("not-acceptable", "Answers are JSON; the Accept header rules that out"),
    409: (ConflictError.slug, ConflictError.title),
    408: ("too-slow", "The request came too slowly"),
    412: (VersionMismatchError.slug, VersionMismatchError.title),
    413: ("too-large", "The request body is too large"),
    415: ("unsupported-media-type", "The request body is of a kind that is not taken here"),
    422: (InvalidError.slug, InvalidError.title),
    421: ("misdirected", "The service does not answer under this name"),
    428: (VersionRequiredError.slug, VersionRequiredError.title),
    429: ("too-many-requests", "Too many requests"),
    500: ("internal", "Something went wrong inside the service"),
    503: (UnavailableError.slug, UnavailableError.title),
}
# Redis can say "not now" in these ways; any other error it names is a fault of ours.
_NOT_NOW = (
    redis.ConnectionError,
    redis.TimeoutError,
    redis.exceptions.ReadOnlyError,
    redis.exceptions.OutOfMemoryError,
    redis.exceptions.ExecAbortError,
)
_NOT_NOW_WORDS = (
    "MISCONF",
    "NOREPLICAS",
    "LOADING",
    "BUSY ",
    "MASTERDOWN",
    "CLUSTERDOWN",
    "OOM ",
    "READONLY",
    "UNBLOCKED",
)


_NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EMFILE, errno.ENFILE})  # a disk or a table that is full


class MalformedError(BorewrightError):
    slug, title, status = *WORDS[400], 400


class UnsupportedMediaTypeError(BorewrightError):
    slug, title, status = *WORDS[415], 415


class EncodedError(UnsupportedMediaTypeError):
    """Answered with what would be taken (RFC 9110 section 15.5.16)."""

    headers: ClassVar[Mapping[str, str]] = {"Accept-Encoding": "identity"}


class NotAcceptableError(BorewrightError):
    slug, title, status = *WORDS[406], 406


class InvalidParametersError(InvalidError):
    """Bad query parameters: the field problems point at ``/name`` of the parameter."""

    slug, title = "invalid-parameters", "The query string holds values that are not allowed"


class FieldProblemSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    pointer = ma.fields.String(metadata={"description": "JSON Pointer (RFC 6901) into the request body"})
    parameter = ma.fields.String(metadata={"description": "Name of the query parameter"})
    detail = ma.fields.String(required=True, metadata={"description": "What is wrong"})
    allowed = ma.fields.String(metadata={"description": "What would be taken"})


class ProblemSchema(ma.Schema):
    """Describes a problem in OpenAPI; the problem itself is plain data."""

    type = ma.fields.String(required=True, metadata={"format": "uri", "example": PROBLEM_BASE + "invalid"})
    title = ma.fields.String(required=True)
    status = ma.fields.Integer(required=True, metadata={"minimum": 400, "maximum": 599})
    detail = ma.fields.String(required=True)
    instance = ma.fields.String(required=True, metadata={"description": "Path of the request"})
    errors = ma.fields.List(ma.fields.Nested(FieldProblemSchema))
    request_id = ma.fields.String(metadata={"description": "Under which a failure stands in the service's log"})


class ProblemApi(Api):  # type: ignore[misc]
    """flask-smorest's Api with RFC 9457 in place of its own error shape."""

    ERROR_SCHEMA = ProblemSchema
    DEFAULT_ERROR_RESPONSE_NAME = None  # every status is named by its operation

    def handle_http_exception(self, error: HTTPException) -> Response | HTTPException:
        return http_problem(error)

    def _register_responses(self) -> None:
        """One reusable response for each status, under our own name for it."""
        for status, (_, title) in WORDS.items():
            response: dict[str, Any] = {"description": title, "schema": self.ERROR_SCHEMA}
            if status in WAIT_STATUSES:
                response["headers"] = {"Retry-After": RETRY_AFTER}
            prepare_response(response, self.spec, PROBLEM_JSON)
            self.spec.components.response(component_name(status), response, lazy=True)


def component_name(status: int) -> str:
    """Under which a status's problems stand in the description: ``VersionMismatch`` for 412."""
    return WORDS[status][0].title().replace("-", "")


def register_problem_handlers(app: Flask) -> None:
    """HTTPException is registered by :class:`ProblemApi`."""
    app.register_error_handler(BorewrightError, domain_problem)
    app.register_error_handler(redis.RedisError, store_problem)
    app.register_error_handler(OSError, host_problem)
    app.register_error_handler(Exception, unforeseen_problem)


def problem_of(error: BorewrightError, instance: str) -> dict[str, Any]:
    """The problem as plain data."""
    body: dict[str, Any] = {
        "type": error.type,
        "title": error.title,
        "status": error.status,
        "detail": error.detail,
        "instance": instance,
    }
    if error.fields:
        word = "parameter" if isinstance(error, InvalidParametersError) else "pointer"
        body["errors"] = [_field_problem(one, word) for one in error.fields[:PROBLEMS_SHOWN]]
    return body


def bare_problem(status: int, detail: str, instance: str) -> dict[str, Any]:
    """A problem of no other type than its status."""
    slug, title = WORDS.get(status, ("http", HTTPStatus(status).phrase))
    return {"type": PROBLEM_BASE + slug, "title": title, "status": status, "detail": detail, "instance": instance}


def domain_problem(error: BorewrightError) -> Response:
    headers = {"Retry-After": str(RETRY_AFTER_S)} if error.status in WAIT_STATUSES else {}
    if error.status == 401:
        headers["WWW-Authenticate"] = 'Bearer realm="borewright"'
    if isinstance(error, EncodedError):
        headers.update(error.headers)
    return _answer(problem_of(error, request.path), headers)


def rate_problem(detail: str, reset_at: int) -> Response:
    """429 with the seconds until the caller's count begins again (``reset_at``: UTC epoch seconds)."""
    body = bare_problem(429, detail, request.path)
    return _answer(body, {"Retry-After": str(max(reset_at - int(time.time()), 1))})


def store_problem(error: redis.RedisError) -> Response:
    """503 while Redis cannot be reached or refuses to write, else 500."""
    if not is_not_now(error):
        return unforeseen_problem(error)
    log.warning(event("store unavailable", error=type(error).__name__, method=request.method, path=request.path))
    return domain_problem(unavailable(error))


def host_problem(error: OSError) -> Response:
    """503 where this host has no room for the request (an upload lies on its disk for a moment), else 500."""
    no_scratch = isinstance(error, FileNotFoundError) and "temporary directory" in str(error)  # as tempfile says it
    if error.errno not in _NO_ROOM and not no_scratch:
        return unforeseen_problem(error)
    log.error(event("no room on this host", error=error.strerror, method=request.method, path=request.path))
    return domain_problem(UnavailableError("this host has no room for the request just now; nothing of it was kept"))


def is_not_now(error: redis.RedisError) -> bool:
    """A script that was refused a write names the reason in mid sentence (Redis 6.2; 7 puts it first)."""
    text = str(error)
    in_script = text.startswith("Error running script") and any(f"-{word}" in text for word in _NOT_NOW_WORDS)
    return isinstance(error, _NOT_NOW) or text.startswith(_NOT_NOW_WORDS) or in_script


def http_problem(error: HTTPException) -> Response | HTTPException:
    """Flask's and Werkzeug's own errors. Redirects and the like pass as they are."""
    status = error.code or 500
    if status < 400:
        return error
    body = bare_problem(status, _detail_of(error, status), request.path)
    headers = {k: v for k, v in error.get_headers() if k.lower() not in {"content-type", "content-length"}}
    if status in WAIT_STATUSES:
        headers.setdefault("Retry-After", str(RETRY_AFTER_S))
    return _answer(body, headers)


def unforeseen_problem(error: Exception) -> Response:
    """500 that tells the caller nothing but the id under which the log tells everything."""
    named = request_id()
    log.error(event("request failed", request_id=named, method=request.method, path=request.path), exc_info=error)
    detail = f"the service's log says more under the request id {named}"
    return _answer({**bare_problem(500, detail, request.path), "request_id": named}, {})


def _detail_of(error: HTTPException, status: int) -> str:
    """Werkzeug's sentences where they help; they hold no internals for statuses below 500."""
    if status == 404:
        return f"nothing is found at {request.path}"
    if status == 405:
        allowed = ", ".join(sorted(getattr(error, "valid_methods", None) or ()))
        return f"{request.method} is not taken here; {allowed} {'is' if ',' not in allowed else 'are'}"
    if status == 413:
        return f"a body may have up to {request.max_content_length} bytes"
    return (error.description or HTTPStatus(status).phrase) if status < 500 else HTTPStatus(status).phrase


def _field_problem(one: FieldProblem, word: str) -> dict[str, str]:
    where = one.pointer if word == "pointer" else one.pointer.removeprefix("/")
    shown = {word: where, "detail": one.detail}
    if one.allowed is not None:
        shown["allowed"] = one.allowed
    return shown


def _answer(body: Mapping[str, Any], headers: Mapping[str, str]) -> Response:
    return Response(to_json(body), status=body["status"], headers=dict(headers), mimetype=PROBLEM_JSON)
