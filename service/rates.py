"""How many requests a minute: Flask-Limiter over the same Redis, so that all processes count together."""

from __future__ import annotations

import redis
from flask import Flask, Response, request
from flask_limiter import Limiter, RequestLimit
from flask_limiter.constants import HeaderNames

from service.access import caller
from service.problems import rate_problem
from service.settings import OPEN_ACCESS, Settings

SIGN_INS_PER_MIN = 20  # tries of one address (engineering prior)
HEADERS = {
    HeaderNames.LIMIT: "RateLimit-Limit",
    HeaderNames.REMAINING: "RateLimit-Remaining",
    HeaderNames.RESET: "RateLimit-Reset",
}
PROBES = frozenset({"operations.get-health", "operations.get-readiness", "pages.static"})


def limit_app(app: Flask, settings: Settings, client: redis.Redis, prefix: str) -> None:
    """Count the requests of each caller, and the tries to sign in of each address.

    Registered before the access check, so that refused callers are counted too.
    """
    if settings.access == OPEN_ACCESS and not settings.rate_limit_per_min:
        return
    a_minute = settings.rate_limit_per_min
    limiter = Limiter(
        _who,
        app=app,
        application_limits=[f"{a_minute}/minute"] if a_minute else [],
        application_limits_exempt_when=lambda: request.endpoint in PROBES,
        storage_uri="redis://",
        storage_options={"connection_pool": client.connection_pool},  # type: ignore[dict-item]
        key_prefix=prefix,
        headers_enabled=bool(a_minute),
        header_name_mapping=HEADERS,
        retry_after="delta-seconds",
        on_breach=_refuse,
    )
    app.extensions["borewright-limiter"] = limiter


def limit_sign_in(app: Flask) -> None:
    """Once the views are there."""
    limiter = app.extensions.get("borewright-limiter")
    if limiter is not None:
        view = app.view_functions["pages.sign_in_post"]
        app.view_functions["pages.sign_in_post"] = limiter.limit(f"{SIGN_INS_PER_MIN}/minute", key_func=_address)(view)


def _who() -> str:
    key = caller()
    return f"key/{key.id}" if key is not None else _address()


def _address() -> str:
    return f"address/{request.remote_addr or 'none'}"


def _refuse(limit: RequestLimit) -> Response:
    return rate_problem(f"{limit.limit} are taken from one caller", int(limit.reset_at))
