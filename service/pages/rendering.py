"""A page from its template, with what every page needs: who reads it, what they may do, the token of its forms."""

from __future__ import annotations

from functools import partial
from http import HTTPStatus
from typing import Any

from flask import g, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from service.access import allows
from service.pages.pictures import picture_link
from workers.model.access import Scope


def page(template: str, here: str, *, pictures: Any = "", **values: Any) -> str:
    """``here``: the entry of the menu that the page belongs to; "" for none.

    ``pictures``: the endpoint whose drawings these are, where it is not the one that was asked.
    """
    key = g.get("key")  # as it was let in; asked again, a store that is away would spoil the page that says so
    return render_template(
        template,
        here=here,
        form_token=g.get("form_token", ""),
        may_operate=allows(key, Scope.OPERATE),
        may_hand_in=allows(key, Scope.HAND_IN),
        picture=partial(picture_link, page=pictures),
        **values,
    )


def see(endpoint: str, **values: Any) -> Response:
    """On to another page after a form was taken."""
    return redirect(url_for(endpoint, **values), HTTPStatus.SEE_OTHER)


def seen_version(field: str = "version") -> int | None:
    """The version that the reader saw, so that what changed in the meantime is left alone."""
    text = request.form.get(field, "")
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 9 else None
