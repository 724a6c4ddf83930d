"""The pages: shop, queue, one job, and the intake forms. Rendered on the server; nothing needs a script."""

from __future__ import annotations

import logging
from http import HTTPStatus
from typing import Any

import redis
from flask import Blueprint, Response, g, request
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response as AnyResponse

from service.api import remedies
from service.api.intake import ring
from service.api.part_jobs import with_part
from service.api.remedies import with_remedies
from service.context import context, stores
from service.log import event
from service.pages import (
    claim_pages,
    guard,
    hand_in,
    learnt_pages,
    machine_pages,
    outcome_pages,
    part_page,
    shop_pages,
    sign_in,
    trial_forms,
)
from service.pages.job_view import job_view
from service.pages.names import names_of
from service.pages.queue_view import queue_rows
from service.pages.rendering import page as _page
from service.pages.rendering import seen_version
from service.pages.trial_pages import trial, trials
from service.pages.wording import FILTERS
from service.problems import is_not_now, unforeseen_problem
from workers.model.codec import from_json, to_json
from workers.model.errors import BorewrightError, NotFoundError
from workers.model.job import JobState
from workers.model.record import JobRecord
from workers.model.routing import Routing
from workers.model.shop import Shop
from workers.routing.betterments import weaknesses
from workers.routing.explain import explain
from workers.store.outcomes import OutcomeFilter

log = logging.getLogger(__name__)

JOBS_A_PAGE = 25
OUTCOMES_SHOWN = 20
FORM_SCOPE = "form /hand-in"
FIRST_CLICK_S = 3.0  # how long the second click of a double click waits for the first

blueprint = Blueprint("pages", __name__, template_folder="templates", static_folder="static", static_url_path="/assets")
for _name, _filter in FILTERS.items():
    blueprint.add_app_template_filter(_filter, _name)
for _pages in (sign_in, hand_in, part_page, learnt_pages, shop_pages, machine_pages, claim_pages, outcome_pages):
    _pages.add_to(blueprint)
trial_forms.add_to(blueprint)
blueprint.add_url_rule("/bore-trials", view_func=trials)
blueprint.add_url_rule("/bore-trials/<trial_id>", view_func=trial)


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


@blueprint.get("/jobs/<job_id>")
def job(job_id: str) -> str:
    kept, shop_now = stores(), context().shop.newest()
    last_event = kept.events.last_id()  # before all else is read: what comes later is told by the stream
    record = kept.jobs.get(job_id)
    routing = kept.jobs.routing(job_id)
    history = kept.events.history(f"job/{job_id}")
    if routing is not None:
        routing = with_remedies(routing, record, shop_now)
    explanation = explain(routing, shop_now) if routing is not None else None
    view = job_view(with_part(record, routing), shop_now, history, routing, explanation)
    outcomes = kept.outcomes.page(OutcomeFilter(job_id=job_id), limit=OUTCOMES_SHOWN).items
    helps = _helps(view.record, routing, shop_now)
    return _page("job.html", "job", view=view, helps=helps, outcomes=outcomes, last_event=last_event)


def _helps(record: JobRecord, routing: Routing | None, shop_now: Shop) -> list[str]:
    """What would better a weak routing, in words."""
    chosen = None if routing is None else routing.chosen
    if chosen is None or record.spec.summary is None or not weaknesses(chosen):
        return []
    body = remedies.kept("help", record, shop_now, lambda: to_json(remedies.remedies_body(shop_now, record.spec)))
    sentences: list[str] = from_json(body, dict[str, Any])["sentences"]
    return sentences


@blueprint.post("/jobs/<job_id>/cancel")
def cancel(job_id: str) -> AnyResponse:
    reason = request.form.get("reason", "").strip()[:200]
    stores().jobs.cancel(job_id, seen_version(), reason)
    return hand_in.see_job(job_id)


@blueprint.post("/jobs/<job_id>/retry")
def retry(job_id: str) -> AnyResponse:
    stores().jobs.retry(job_id, seen_version())
    ring()
    return hand_in.see_job(job_id)


@blueprint.errorhandler(BorewrightError)
def show_refusal(error: BorewrightError) -> tuple[str, int]:
    return _problem(error.title, error.detail, error.status)


@blueprint.errorhandler(HTTPException)
def show_http_error(error: HTTPException) -> tuple[str, int]:
    status = error.code or 500
    return _problem(HTTPStatus(status).phrase, error.description or HTTPStatus(status).description, status)


@blueprint.errorhandler(redis.RedisError)
def show_store_error(error: redis.RedisError) -> tuple[str, int] | Response:
    if not is_not_now(error):
        return unforeseen_problem(error)
    log.warning(event("store unavailable", error=type(error).__name__, path=request.path))
    return _problem("The shop cannot answer just now", "its store does not answer; try again in a moment", 503)


def _problem(title: str, detail: str, status: int) -> tuple[str, int]:
    text = detail.rstrip(".")
    return _page("problem.html", "", title=title, detail=text[:1].upper() + text[1:]), status


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
