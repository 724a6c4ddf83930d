"""The pages: shop, queue, one job, and the intake forms. Rendered on the server; nothing needs a script."""

from __future__ import annotations

import logging
from http import HTTPStatus

import redis
from flask import Blueprint, Response, g, make_response, request
from werkzeug.exceptions import HTTPException, MethodNotAllowed

from service.context import context, stores
from service.log import event
from service.pages import (
    claim_pages,
    coverage_pages,
    guard,
    hand_in,
    job_pages,
    learnt_pages,
    machine_pages,
    outcome_pages,
    part_page,
    plan_pages,
    share_pages,
    shop_pages,
    sign_in,
    trial_forms,
)
from service.pages.names import names_of
from service.pages.pictures import add_pictures
from service.pages.plots.element import drawn
from service.pages.queue_view import queue_rows
from service.pages.rendering import page as _page
from service.pages.trial_pages import trial, trials
from service.pages.wording import FILTERS, as_sentence
from service.problems import RETRY_AFTER_S, WAIT_STATUSES, http_problem, is_not_now, unforeseen_problem
from workers.model.errors import BorewrightError, NotFoundError
from workers.model.job import JobState
from workers.model.record import JobRecord
from workers.model.routing import Routing

log = logging.getLogger(__name__)

JOBS_A_PAGE = 25
ANSWERS = ("application/problem+json", "application/json", "text/html")  # the first, to who takes anything

blueprint = Blueprint("pages", __name__, template_folder="templates", static_folder="static", static_url_path="/assets")
for _name, _filter in FILTERS.items():
    blueprint.add_app_template_filter(_filter, _name)
blueprint.add_app_template_filter(drawn)
for _pages in (
    sign_in,
    hand_in,
    part_page,
    job_pages,
    share_pages,
    learnt_pages,
    coverage_pages,
    plan_pages,
    shop_pages,
    machine_pages,
    claim_pages,
    outcome_pages,
):
    _pages.add_to(blueprint)
trial_forms.add_to(blueprint)
blueprint.add_url_rule("/bore-trials", view_func=trials)
blueprint.add_url_rule("/bore-trials/<trial_id>", view_func=trial)
add_pictures(blueprint, "/bore-trials/<trial_id>", "trial", trial)


@blueprint.before_request
def find_token() -> None:
    """Every page knows the token that its forms carry; every form that arrives must carry it."""
    g.form_token = guard.token_of(request) or guard.new_token()
    if request.method == "POST":
        hand_in.make_room_for_mesh()
        guard.require_own_form(request)


@blueprint.after_request
def finish(response: Response) -> Response:
    token = g.get("form_token")
    if token is not None and guard.token_of(request) != token and response.mimetype == "text/html":
        guard.keep_token(response, token, secure=request.is_secure)
    return guard.protect(response)


@blueprint.get("/queue")
def queue() -> str:
    state = _state(request.args.get("state"))
    after = request.args.get("after", "")[:40] or None
    page = stores().jobs.page(state, after, JOBS_A_PAGE)
    return _page(
        "queue.html",
        "queue",
        rows=queue_rows(page.items, _routings(page.items)),
        names=names_of(context().shop.newest()),
        counts=list(stores().jobs.counts().items()),
        chosen=state,
        after=after,
        older=page.next_cursor,
    )


@blueprint.errorhandler(BorewrightError)
def show_refusal(error: BorewrightError) -> tuple[str, int, dict[str, str]]:
    return _problem(error.title, error.detail, error.status)


@blueprint.errorhandler(HTTPException)
def show_http_error(error: HTTPException) -> tuple[str, int, dict[str, str]]:
    status = error.code or 500
    return _problem(HTTPStatus(status).phrase, error.description or HTTPStatus(status).description, status)


@blueprint.app_errorhandler(HTTPStatus.NOT_FOUND)
@blueprint.app_errorhandler(HTTPStatus.METHOD_NOT_ALLOWED)
def show_no_page(error: HTTPException) -> Response | HTTPException:
    """Who came with a browser to an address of no page is told so on one; programs get their problem."""
    to_read = request.method in {"GET", "HEAD"} and not request.path.startswith("/v1")
    if not to_read or request.accept_mimetypes.best_match(ANSWERS) != "text/html":
        return http_problem(error)
    status = error.code or HTTPStatus.NOT_FOUND
    detail = "It may be mistyped, or only take what a form sends: go on from the shop, or back to where you came from"
    response = make_response(_problem("There is no page at this address", detail, status))
    if isinstance(error, MethodNotAllowed) and error.valid_methods:
        response.headers["Allow"] = ", ".join(error.valid_methods)
    return guard.protect(response)


@blueprint.errorhandler(redis.RedisError)
def show_store_error(error: redis.RedisError) -> tuple[str, int, dict[str, str]] | Response:
    if not is_not_now(error):
        return unforeseen_problem(error)
    log.warning(event("store unavailable", error=type(error).__name__, path=request.path))
    return _problem("The shop cannot answer just now", "its store does not answer; try again in a moment", 503)


def _problem(title: str, detail: str, status: int) -> tuple[str, int, dict[str, str]]:
    headers = {"Retry-After": str(RETRY_AFTER_S)} if status in WAIT_STATUSES else {}
    return _page("problem.html", "", title=title, detail=as_sentence(detail)), status, headers


def _routings(records: tuple[JobRecord, ...]) -> dict[str, Routing]:
    """Routings by job id, of those that have one."""
    found = {record.id: stores().jobs.routing(record.id) for record in records if record.state is not JobState.ACCEPTED}
    return {job_id: routing for job_id, routing in found.items() if routing is not None}


def _state(text: str | None) -> JobState | None:
    """Raises NotFoundError for a word that is no state."""
    if not text:
        return None
    try:
        return JobState(text)
    except ValueError:
        raise NotFoundError(f"there is no state called {text[:40]!r}") from None
