"""flask-smorest's Blueprint with typed decorators and our answers documented once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from http import HTTPStatus
from typing import Any, TypeVar, cast

from flask_smorest import Blueprint

from service.api.body import RimParser
from service.problems import component_name

F = TypeVar("F", bound=Callable[..., Any])

ETAG: dict[str, Any] = {
    "ETag": {"description": "The version, quoted: for If-Match and If-None-Match", "schema": {"type": "string"}}
}
LOCATION: dict[str, Any] = {
    "Location": {"description": "Where it is now", "schema": {"type": "string", "format": "uri-reference"}}
}
LINK: dict[str, Any] = {"Link": {"description": 'The next page (RFC 8288, rel="next")', "schema": {"type": "string"}}}
IF_MATCH: dict[str, Any] = {
    "in": "header",
    "name": "If-Match",
    "required": True,
    "description": 'The version to change, as in its ETag ("3"), or * for whichever is there. 428 without it, '
    "412 when it has changed since.",
    "schema": {"type": "string"},
    "example": "*",
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
    "schema": {
        "type": "string",
        "minLength": 1,
        "maxLength": 255,
        "pattern": r'^("([ !#-\[\]-~]|\\["\\])+"|[!#-~][!-~]*)$',
    },
    "example": '"3f1c9a52-order-118-bracket"',
}
ALWAYS_REFUSED = (401, 403, 406, 421, 429, 500, 503)
BODY_REFUSED = (400, 408, 413, 415, 422)


class ResourceBlueprint(Blueprint):  # type: ignore[misc]
    """Decorators: ``takes`` a body, ``asks`` query parameters, ``gives`` an answer, ``refuses`` with problems.

    All but the first two only document: the view itself is called, without a layer for each of them.
    """

    ARGUMENTS_PARSER = RimParser()

    def at(self, rule: str, method: str = "GET", *, summary: str, operation: str) -> Callable[[F], F]:
        """Route a view; outermost decorator."""
        document = self._documents(self.doc(summary=summary, operationId=operation))

        def decorate(view: F) -> F:
            documented = document(self.refuses(*ALWAYS_REFUSED)(view))
            self.add_url_rule(rule, operation, documented, methods=[method])
            return view

        return decorate

    def takes(self, schema: Any, **documentation: Any) -> Callable[[F], F]:
        """The view's first argument is what the schema loads from the JSON body."""
        return self._arguments(self.refuses(*BODY_REFUSED), self.arguments(schema, **documentation))

    def asks(self, schema: Any) -> Callable[[F], F]:
        """The view's first argument is what the schema loads from the query string."""
        return self._arguments(self.refuses(422), self.arguments(schema, location="query"))

    def documents_body(self, schema: Any, example: Any) -> Callable[[F], F]:
        """Documents a JSON body that the view reads itself."""
        return self.documents_bodies({"application/json": {"schema": schema, "example": example}})

    def documents_bodies(self, content: Mapping[str, Any]) -> Callable[[F], F]:
        """Documents a body of one of several media types, which the view reads itself."""
        body = self.doc(requestBody={"required": True, "content": dict(content)})
        return lambda view: self.refuses(*BODY_REFUSED)(self._documents(body)(view))

    def gives(self, status: int, schema: Any = None, description: str = "", **more: Any) -> Callable[[F], F]:
        """Documents an answer that the view makes itself, as a Response."""
        words = description or HTTPStatus(status).phrase
        return self._documents(self.alt_response(status, schema=schema, description=words, **more))

    def refuses(self, *statuses: int) -> Callable[[F], F]:
        """Documents problems that the view may end in."""

        def decorate(view: F) -> F:
            for status in statuses:
                view = self._documents(self.alt_response(status, response=component_name(status)))(view)
            return view

        return decorate

    def headers(self, *parameters: Mapping[str, Any]) -> Callable[[F], F]:
        """Documents request headers that the view reads; to stand above ``asks``, whose parameters they join."""

        def decorate(view: F) -> F:
            asked = getattr(view, "_apidoc", {}).get("arguments", {}).get("parameters", [])
            if not any(one.get("in") == "query" for one in asked):
                return self._documents(self.doc(parameters=[dict(one) for one in parameters]))(view)
            asked += [dict(one) for one in parameters]
            return view

        return decorate

    @staticmethod
    def _documents(decorator: Any) -> Callable[[F], F]:
        """Keep what one of flask-smorest's decorators notes down, on the view itself, and drop its wrapper."""

        def decorate(view: F) -> F:
            view._apidoc = decorator(view)._apidoc  # type: ignore[attr-defined]
            return view

        return decorate

    @staticmethod
    def _arguments(refuses: Any, arguments: Any) -> Callable[[F], F]:
        def decorate(view: F) -> F:
            wrapped = refuses(arguments(view))
            del wrapped._apidoc["arguments"]["responses"]  # named by the status's phrase, which Python changes
            return cast(F, wrapped)

        return decorate
