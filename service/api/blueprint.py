"""flask-smorest's Blueprint with typed decorators and our answers documented once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from http import HTTPStatus
from typing import Any, TypeVar, cast

from flask_smorest import Blueprint

from service.api.body import RimParser
from service.problems import PROBLEM_JSON, ProblemSchema

F = TypeVar("F", bound=Callable[..., Any])

ETAG: dict[str, Any] = {
    "ETag": {"description": "The version, quoted: for If-Match and If-None-Match", "schema": {"type": "string"}}
}
LOCATION: dict[str, Any] = {
    "Location": {"description": "Where it is now", "schema": {"type": "string", "format": "uri-reference"}}
}
RETRY_AFTER: dict[str, Any] = {
    "Retry-After": {"description": "Seconds to wait", "schema": {"type": "integer", "minimum": 0}}
}
LINK: dict[str, Any] = {"Link": {"description": 'The next page (RFC 8288, rel="next")', "schema": {"type": "string"}}}
IF_MATCH: dict[str, Any] = {
    "in": "header",
    "name": "If-Match",
    "description": 'The version to change, as in its ETag ("3"), or * for whichever is there. 428 without it, '
    "412 when it has changed since.",
    "schema": {"type": "string"},
    "example": '"3"',
}
IF_NONE_MATCH: dict[str, Any] = {
    "in": "header",
    "name": "If-None-Match",
    "description": "The version you have: 304 while it is still that one.",
    "schema": {"type": "string"},
}
IDEMPOTENCY_KEY: dict[str, Any] = {
    "in": "header",
    "name": "Idempotency-Key",
    "description": "Optional, honoured for 24 hours: the same key with the same body is carried out once and "
    "answered alike each time; with another body it is refused (422), and while the first is running (409). "
    "A quoted string (IETF draft) or a bare token, up to 255 printable ASCII characters.",
    "schema": {"type": "string", "minLength": 1, "maxLength": 255},
    "example": '"3f1c9a52-order-118-bracket"',
}
ALWAYS_REFUSED = (406, 500, 503)
BODY_REFUSED = (400, 413, 415, 422)


class ResourceBlueprint(Blueprint):  # type: ignore[misc]
    """Decorators: ``takes`` a body, ``asks`` query parameters, ``gives`` an answer, ``refuses`` with problems."""

    ARGUMENTS_PARSER = RimParser()

    def at(self, rule: str, method: str = "GET", *, summary: str, operation: str) -> Callable[[F], F]:
        """Route a view; outermost decorator."""

        def decorate(view: F) -> F:
            documented = self.doc(summary=summary, operationId=operation)(self.refuses(*ALWAYS_REFUSED)(view))
            self.add_url_rule(rule, operation, documented, methods=[method])
            return view

        return decorate

    def takes(self, schema: Any, **documentation: Any) -> Callable[[F], F]:
        """The view's first argument is what the schema loads from the JSON body."""
        arguments = self.arguments(schema, **documentation)
        refuses: Any = self.refuses(*BODY_REFUSED)
        return cast(Callable[[F], F], lambda view: refuses(arguments(view)))

    def documents_body(self, schema: Any, example: Any) -> Callable[[F], F]:
        """Documents a JSON body that the view reads itself."""
        content = {"application/json": {"schema": schema, "example": example}}
        return cast(Callable[[F], F], self.doc(requestBody={"required": True, "content": content}))

    def asks(self, schema: Any) -> Callable[[F], F]:
        """The view's first argument is what the schema loads from the query string."""
        arguments: Any = self.arguments(schema, location="query")
        refuses: Any = self.refuses(422)
        return cast(Callable[[F], F], lambda view: refuses(arguments(view)))

    def gives(self, status: int, schema: Any = None, description: str = "", **more: Any) -> Callable[[F], F]:
        """Documents an answer that the view makes itself, as a Response."""
        words = description or HTTPStatus(status).phrase
        return cast(Callable[[F], F], self.alt_response(status, schema=schema, description=words, **more))

    def refuses(self, *statuses: int) -> Callable[[F], F]:
        """Documents problems that the view may end in."""

        def decorate(view: F) -> F:
            for status in statuses:
                headers = dict(RETRY_AFTER) if status in {429, 503} else None
                view = self.alt_response(
                    status,
                    schema=ProblemSchema,
                    content_type=PROBLEM_JSON,
                    description=HTTPStatus(status).phrase,
                    headers=headers,
                )(view)
            return view

        return decorate

    def headers(self, *parameters: Mapping[str, Any]) -> Callable[[F], F]:
        """Documents request headers that the view reads."""
        return cast(Callable[[F], F], self.doc(parameters=[dict(one) for one in parameters]))
