"""The pages: shop, queue, one job, and the intake forms. Rendered on the server; nothing needs a script."""

from __future__ import annotations

import logging
from http import HTTPStatus
from typing import Any

import redis
from flask import Blueprint, Response, g, render_template, request
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response as AnyResponse

from service.api.intake import ring
from service.api.part_jobs import with_part
from service.context import context, stores
from service.log import event
from service.pages import guard, hand_in, learnt_pages, part_page, sign_in
from service.pages.job_view import job_view
from service.pages.queue_view import queue_rows
from service.pages.shop_view import names_of, shop_view
from service.pages.wording import FILTERS
from service.problems import is_not_now, unforeseen_problem
from workers.model.errors import BorewrightError, NotFoundError
from workers.model.job import JobState
from workers.model.record import JobRecord
from workers.model.routing import Routing
from workers.routing.explain import explain

log = logging.getLogger(__name__)

JOBS_A_PAGE = 25
ROUTINGS_READ = 60  # newest routed jobs whose routings the shop page looks at
STUCK_READ = 5

blueprint = Blueprint("pages", __name__, template_folder="templates", static_folder="static", static_url_path="/assets")
for _name, _filter in FILTERS.items():
    blueprint.add_app_template_filter(_filter, _name)
sign_in.add_to(blueprint)
hand_in.add_to(blueprint)
part_page.add_to(blueprint)
learnt_pages.add_to(blueprint)


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


@blueprint.get("/")
def shop() -> str:
    jobs = stores().jobs
    stuck = [
        job for state in (JobState.UNROUTABLE, JobState.FAILED) for job in jobs.page(state, limit=STUCK_READ).items
    ]
    bound, routed = (jobs.page(state, limit=ROUTINGS_READ).items for state in (JobState.BOUND, JobState.ROUTED))
    latest = (*bound, *routed)[:ROUTINGS_READ]
    view = shop_view(context().shop.newest(), jobs.counts(), stuck, list(_routings(latest).values()))
    return _page("shop.html", "shop", view=view)


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
    record = kept.jobs.get(job_id)
    routing = kept.jobs.routing(job_id)
    history = kept.events.history(f"job/{job_id}")
    explanation = explain(routing, shop_now) if routing is not None else None
    return _page("job.html", "job", view=job_view(with_part(record, routing), shop_now, history, routing, explanation))


@blueprint.post("/jobs/<job_id>/cancel")
def cancel(job_id: str) -> AnyResponse:
    reason = request.form.get("reason", "").strip()[:200]
    stores().jobs.cancel(job_id, _version(), reason)
    return hand_in.see_job(job_id)


@blueprint.post("/jobs/<job_id>/retry")
def retry(job_id: str) -> AnyResponse:
    stores().jobs.retry(job_id, _version())
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


def _page(template: str, here: str, **values: Any) -> str:
    return render_template(template, here=here, form_token=g.get("form_token", ""), **values)


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


def _version() -> int | None:
    """The version that the reader saw, so that a job that changed in the meantime is left alone."""
    text = request.form.get("version", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 9 else None
