"""What protects the pages: response headers, and a token that every form carries.

The token is a double submit: a random cookie (SameSite=Lax, not readable by scripts) that the form repeats.
A foreign site can send a form here, but neither the cookie with it nor its value in it. Where the browser
says which site the form comes from (Origin), that must be ours as well.
"""

from __future__ import annotations

import hmac
import re
import secrets
from urllib.parse import urlsplit

from flask import Request, Response
from werkzeug.wrappers import Response as AnyResponse

from workers.model.errors import BorewrightError

COOKIE = "borewright_form"
FIELD = "form_token"
_TOKEN = re.compile(r"[A-Za-z0-9_-]{43}")

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; connect-src 'self'; style-src 'self'; img-src 'self' data:; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}


class ForeignFormError(BorewrightError):
    """The form was not sent from one of our pages, or from one that is too old."""

    slug, title, status = "foreign-form", "This form was not sent from one of our own pages", 403


def cookie_name(base: str, *, secure: bool) -> str:
    """Over TLS the name binds the cookie to this very host (RFC 6265bis section 4.1.3.2): no sibling can set it."""
    return f"__Host-{base}" if secure else base


def token_of(request: Request) -> str | None:
    """The token in the request's cookie, if it has the right form."""
    value = request.cookies.get(cookie_name(COOKIE, secure=request.is_secure), "")
    return value if _TOKEN.fullmatch(value) else None


def new_token() -> str:
    return secrets.token_urlsafe(32)


def require_own_form(request: Request) -> None:
    """Raises ForeignFormError unless the form repeats the cookie's token and comes from our own address."""
    require_token(request, request.form.get(FIELD, ""))


def require_token(request: Request, repeated: str) -> None:
    """Raises ForeignFormError unless what the request repeats is its cookie's token, and no other site sent it."""
    require_own_origin(request)
    token = token_of(request)
    if token is None or not hmac.compare_digest(token.encode(), repeated.encode()):
        raise ForeignFormError("its token is missing or too old; go back, reload the page and send it again")


def require_own_origin(request: Request) -> None:
    """Raises ForeignFormError where a browser says that another site sent the form."""
    origin = request.headers.get("Origin")
    if origin is not None and urlsplit(origin).netloc != request.host:
        raise ForeignFormError("it came from another address; open the page again and send it from there")


def keep_token(response: AnyResponse, token: str, *, secure: bool) -> None:
    """Give the browser the token for its next visits; it ends with the browser's session."""
    name = cookie_name(COOKIE, secure=secure)
    response.set_cookie(name, token, httponly=True, samesite="Lax", secure=secure, path="/")


def protect(response: Response) -> Response:
    """Set the headers of every page; what a page shows changes, so nothing but the style is kept."""
    for name, value in HEADERS.items():
        response.headers[name] = value
    if response.mimetype == "text/html":
        response.headers["Cache-Control"] = "no-store"
    return response
