"""Who gets in: access keys (RFC 6750 bearer tokens) for programs, a signed-in session for browsers.

With ``access`` open nobody is asked, and only callers who name this machine itself are answered, so that a page of
another site cannot reach a service behind the reader's back by giving its own name this machine's address.
"""

from __future__ import annotations

import logging
from urllib.parse import urlsplit

import redis
from flask import Flask, Request, Response, g, request

from service.context import context, stores
from service.log import event
from service.pages import guard
from service.problems import WORDS
from service.scopes import OPEN, SAFE, scope_of
from service.settings import OPEN_ACCESS, is_loopback
from workers.model.access import AccessKey, Scope
from workers.model.errors import BorewrightError

log = logging.getLogger(__name__)

YEAR_S = 31_536_000
SESSION_COOKIE = "borewright_session"
FORM_TOKEN_HEADER = "X-Form-Token"  # nosec B105  # a header, no secret


class KeyNeededError(BorewrightError):
    slug, title, status = *WORDS[401], 401


class ScopeError(BorewrightError):
    slug, title, status = *WORDS[403], 403


class MisdirectedError(BorewrightError):
    slug, title, status = *WORDS[421], 421


def guard_app(app: Flask) -> None:
    """Every request passes here first, and every change leaves a line in the trail."""
    app.before_request(admit)
    app.after_request(note)
    app.after_request(harden)


def admit() -> None:
    """Raises KeyNeededError, ScopeError or MisdirectedError."""
    if request.endpoint not in OPEN or request.endpoint == "operations.get-readiness":
        context().schema.require()
    if context().settings.access == OPEN_ACCESS:
        return require_own_name(request)
    needed = scope_of(request.endpoint or "", request.method)
    if request.endpoint is None or needed is None:
        return None
    key = caller()
    if key is None:
        raise KeyNeededError(_missing(request))
    if "Authorization" not in request.headers:
        _require_own_script(request)
    if needed not in key.scopes:
        raise ScopeError(f"this needs the scope {needed}; the key {key.name!r} has {_scopes(key)}")
    return None


def caller() -> AccessKey | None:
    """The good key that the request came with; looked up once a request."""
    if "key" not in g:
        keys = context().settings.access != OPEN_ACCESS
        g.key = _key_of_caller(request) if keys else None
    key: AccessKey | None = g.key
    return key


def require_own_name(asked: Request) -> None:
    """Raises MisdirectedError where the caller does not name this machine by a loopback name or address."""
    host = urlsplit(f"//{asked.host}").hostname or ""
    if not is_loopback(host):
        raise MisdirectedError(
            f"without access keys only this machine's own names are answered (localhost, 127.0.0.1, ::1), "
            f"not {host[:200]!r}; set BOREWRIGHT_ACCESS=keys to serve others"
        )


def note(response: Response) -> Response:
    """Add a changing request to the trail, whether it was carried out or refused."""
    if context().settings.access == OPEN_ACCESS or request.method in SAFE or request.endpoint is None:
        return response
    try:
        stores().access.note(
            g.get("key"), request.method, request.path[:500], response.status_code, request.remote_addr or ""
        )
    except redis.RedisError as error:
        log.warning(event("trail not written", method=request.method, path=request.path, error=type(error).__name__))
    return response


def harden(response: Response) -> Response:
    """Headers of every answer: nothing is sniffed, framed or kept by others, and TLS stays on once it was there."""
    response.headers.setdefault("X-Content-Type-Options", "nosniff")
    if request.path.startswith("/v1/"):
        response.headers.setdefault("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
        response.headers.setdefault("Cache-Control", "no-store")
    if request.is_secure:
        response.headers.setdefault("Strict-Transport-Security", f"max-age={YEAR_S}")
    return response


def _key_of_caller(asked: Request) -> AccessKey | None:
    header = asked.headers.get("Authorization", "")
    if header:
        kind, _, text = header.partition(" ")
        return stores().access.of_text(text.strip()) if kind.lower() == "bearer" else None
    token = session_token(asked)
    return stores().access.of_session(token) if token else None


def session_token(asked: Request) -> str:
    """Empty where the browser has none."""
    return asked.cookies.get(guard.cookie_name(SESSION_COOKIE, secure=asked.is_secure), "")


def _require_own_script(asked: Request) -> None:
    """A session alone changes nothing over the API: the page's token must come along. Forms carry it themselves."""
    if asked.method in SAFE or not asked.path.startswith("/v1/"):
        return
    guard.require_token(asked, asked.headers.get(FORM_TOKEN_HEADER, ""))


def _missing(asked: Request) -> str:
    if asked.headers.get("Authorization"):
        return "the Authorization header holds no key that is good here: it may be mistyped, revoked or past its end"
    return "send an access key: Authorization: Bearer KEY"


def _scopes(key: AccessKey) -> str:
    return ", ".join(key.scopes) or "none"


def allows(key: AccessKey | None, scope: Scope) -> bool:
    """Whether the caller may do what the scope covers: pages leave out what would be refused."""
    return context().settings.access == OPEN_ACCESS or (key is not None and scope in key.scopes)
