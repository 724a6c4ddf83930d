"""Signing in with an access key, and out again."""

from __future__ import annotations

from http import HTTPStatus
from urllib.parse import urlsplit

from flask import Blueprint, redirect, request, url_for
from werkzeug.wrappers import Response

from service.access import SESSION_COOKIE, KeyNeededError, session_token
from service.context import context, stores
from service.pages import guard
from service.pages.rendering import page
from service.settings import OPEN_ACCESS
from workers.model.access import AccessKey
from workers.store.access import SESSION_S

NOT_GOOD = "This key is not good here: it may be mistyped, revoked or past its end."


def add_to(blueprint: Blueprint) -> None:
    """Add the views, and what becomes of a reader without a session, to the pages."""
    blueprint.add_url_rule("/sign-in", "sign_in", show)
    blueprint.add_url_rule("/sign-in", "sign_in_post", sign_in, methods=["POST"])
    blueprint.add_url_rule("/sign-out", "sign_out", sign_out, methods=["POST"])
    blueprint.register_error_handler(KeyNeededError, send_to_sign_in)


def show() -> str | Response:
    if context().settings.access == OPEN_ACCESS:
        return redirect(url_for("pages.shop"))
    return _form(_inside(request.args.get("next", "")))


def sign_in() -> tuple[str, int] | Response:
    """The key is read from the form and never shown again; the browser gets a token of its own."""
    key = stores().access.of_text(request.form.get("key", "").strip()[:200])
    target = _inside(request.form.get("next", ""))
    if key is None:
        return _form(target, NOT_GOOD), HTTPStatus.FORBIDDEN
    response = redirect(target, HTTPStatus.SEE_OTHER)
    stores().access.sign_out(session_token(request))  # the browser's earlier one
    guard.keep_token(response, guard.new_token(), secure=request.is_secure)  # one that was there before is not trusted
    _keep(response, stores().access.sign_in(key), key)
    return response


def sign_out() -> Response:
    stores().access.sign_out(session_token(request))
    response = redirect(url_for("pages.sign_in"), HTTPStatus.SEE_OTHER)
    response.delete_cookie(_session_cookie(), path="/", secure=request.is_secure, httponly=True, samesite="Lax")
    return response


def send_to_sign_in(error: KeyNeededError) -> tuple[str, int] | Response:
    """A reader is shown the way in; a form that comes too late is refused, since it cannot be sent on."""
    if request.method == "GET":
        return redirect(url_for("pages.sign_in", next=request.full_path.rstrip("?")), HTTPStatus.SEE_OTHER)
    return _form(url_for("pages.shop"), "You are not signed in any more; sign in and send the form again."), 403


def _keep(response: Response, token: str, key: AccessKey) -> None:
    response.set_cookie(
        _session_cookie(), token, max_age=SESSION_S, httponly=True, samesite="Lax", secure=request.is_secure, path="/"
    )


def _session_cookie() -> str:
    return guard.cookie_name(SESSION_COOKIE, secure=request.is_secure)


def _inside(target: str) -> str:
    """``target`` where it is a path of ours, else the shop: a link must not lead elsewhere after signing in."""
    parts = urlsplit(target)
    inside = target.startswith("/") and not target.startswith("//") and "\\" not in target
    return target if inside and not parts.scheme and not parts.netloc else url_for("pages.shop")


def _form(target: str, problem: str = "") -> str:
    return page("sign_in.html", "", bare=True, target=target, problem=problem)
