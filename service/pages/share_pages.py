"""Links that show one job's result, and nothing else, to whoever holds them: made, shown, revoked.

A link is a capability: its secret stands in the query (``key``), never in the path, so that no line of the log and no
line of the trail holds it; its page sends no referrer and sets no cookie. It is good until its day, until somebody
revokes it, or until the access key that it was made with is good no longer.
"""

from __future__ import annotations

from http import HTTPStatus

from flask import Blueprint, Response, g, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from service.access import ScopeError, allows, caller
from service.api.things import new_id
from service.context import context, stores
from service.pages.job_pages import job_page, result_of
from service.pages.pictures import picture_response
from service.pages.rendering import page, see
from service.pages.wording import as_sentence
from service.settings import OPEN_ACCESS
from workers.model.access import AccessKey, Scope
from workers.model.errors import BorewrightError, ConflictError, NotFoundError
from workers.model.share import Share

DAY_S = 86_400.0
DAYS = (1, 7, 30)
SHARED = frozenset({"pages.shared", "pages.shared_picture"})


class LinkError(BorewrightError):
    """The link shows nothing: not a good one, for whatever reason."""

    slug, title, status = "link", "This link shows nothing any more", 404


def add_to(blueprint: Blueprint) -> None:
    blueprint.add_url_rule("/jobs/<job_id>/links", "share_job", share, methods=["POST"])
    blueprint.add_url_rule("/jobs/<job_id>/links/<share_id>/revoke", "revoke_share", revoke, methods=["POST"])
    blueprint.add_url_rule("/shared/<job_id>/<share_id>", "shared", shared)
    blueprint.add_url_rule("/shared/<job_id>/<share_id>/pictures/<name>.svg", "shared_picture", shared_picture)
    blueprint.register_error_handler(LinkError, show_no_link)
    blueprint.after_request(keep_to_itself)


def share(job_id: str) -> tuple[str, int]:
    """Make a link and show it, this once. Raises ConflictError in open access, ScopeError, NotFoundError."""
    key = _maker()
    stores().jobs.get(job_id)
    made, secret = stores().shares.create(new_id(), job_id, key, DAY_S * _days())
    link = url_for("pages.shared", job_id=job_id, share_id=made.id, key=secret, _external=True)
    return job_page(job_id, link), HTTPStatus.CREATED


def revoke(job_id: str, share_id: str) -> AnyResponse:
    stores().shares.revoke(job_id, share_id)
    return see("pages.job", job_id=job_id, _anchor="h-share")


def shared(job_id: str, share_id: str) -> str:
    """The job's result, read only. Raises LinkError."""
    link = _good(job_id, share_id)
    record, routing = stores().jobs.get(job_id), stores().jobs.routing(job_id)
    g.form_token = None  # it holds no form
    view = result_of(record, routing, ())
    return page("shared.html", "", pictures="pages.shared", bare=True, shared=True, link=link, view=view)


def shared_picture(job_id: str, share_id: str, name: str) -> Response:
    return picture_response(shared(job_id, share_id), name)


def show_no_link(error: LinkError) -> tuple[str, int]:
    g.form_token = None
    return page("problem.html", "", bare=True, title=error.title, detail=as_sentence(error.detail)), error.status


def keep_to_itself(response: Response) -> Response:
    """What a link shows is kept by nobody, found by no search engine, and its address told to nobody."""
    if request.endpoint in SHARED:
        response.headers["Cache-Control"] = "no-store"
        response.headers["Referrer-Policy"] = "no-referrer"
        response.headers["X-Robots-Tag"] = "noindex, nofollow"
    return response


def _maker() -> AccessKey:
    """The key that the link will stand on: what it shows must be open to that key itself."""
    key = caller()
    if context().settings.access == OPEN_ACCESS or key is None:
        raise ConflictError("access is open here: the page's own address is link enough")
    if not allows(key, Scope.READ):
        raise ScopeError(f"a link shows what this needs the scope {Scope.READ} for; the key {key.name!r} lacks it")
    return key


def _days() -> int:
    text = request.form.get("days", "")
    return int(text) if text in map(str, DAYS) else DAYS[1]


def _good(job_id: str, share_id: str) -> Share:
    """The link that was asked with. Raises LinkError, the same whatever is amiss."""
    link = stores().shares.find(job_id, share_id, request.args.get("key", ""))
    if link is None or not _stands(link):
        raise LinkError("it may be past its day, revoked, or cut off on its way; ask who sent it for another")
    return link


def _stands(link: Share) -> bool:
    """Whether the key that it was made with is still good."""
    try:
        return stores().access.get(link.key_id).revoked_at is None
    except NotFoundError:
        return False
