"""The pages: shop, queue, one job, and the intake form. Rendered on the server; nothing needs a script."""

from __future__ import annotations

import hashlib
import logging
import secrets
import time
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

import redis
from flask import Blueprint, Response, g, redirect, request, url_for
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response as AnyResponse

from service.api.intake import job_ids, material_ids, require_known_materials, ring
from service.api.job_schema import JobSchema
from service.api.part_jobs import with_part
from service.context import context, stores
from service.log import event
from service.pages import claim_pages, guard, intake, machine_pages, outcome_pages, shop_pages, sign_in
from service.pages.job_view import job_view
from service.pages.names import names_of
from service.pages.queue_view import queue_rows
from service.pages.rendering import page as _page
from service.pages.wording import FILTERS
from service.problems import is_not_now, unforeseen_problem
from workers.model.codec import to_json
from workers.model.errors import BorewrightError, InProgressError, InvalidError, NotFoundError
from workers.model.job import JobSpec, JobState
from workers.model.record import JobRecord
from workers.model.routing import Routing
from workers.routing.explain import explain
from workers.store.idempotency import Answer, Reservation
from workers.store.outcomes import OutcomeFilter

log = logging.getLogger(__name__)

JOBS_A_PAGE = 25
OUTCOMES_SHOWN = 20
FORM_SCOPE = "form /hand-in"
FIRST_CLICK_S = 3.0  # how long the second click of a double click waits for the first

blueprint = Blueprint("pages", __name__, template_folder="templates", static_folder="static", static_url_path="/assets")
for _name, _filter in FILTERS.items():
    blueprint.add_app_template_filter(_filter, _name)
for _pages in (sign_in, shop_pages, machine_pages, claim_pages, outcome_pages):
    _pages.add_to(blueprint)


@blueprint.before_request
def find_token() -> None:
    """Every page knows the token that its forms carry; every form that arrives must carry it."""
    g.form_token = guard.token_of(request) or guard.new_token()
    if request.method == "POST":
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
    explanation = explain(routing, shop_now) if routing is not None else None
    view = job_view(with_part(record, routing), shop_now, history, routing, explanation)
    outcomes = kept.outcomes.page(OutcomeFilter(job_id=job_id), limit=OUTCOMES_SHOWN).items
    return _page("job.html", "job", view=view, outcomes=outcomes, last_event=last_event)


@blueprint.post("/jobs/<job_id>/cancel")
def cancel(job_id: str) -> AnyResponse:
    reason = request.form.get("reason", "").strip()[:200]
    stores().jobs.cancel(job_id, _version(), reason)
    return _see_job(job_id)


@blueprint.post("/jobs/<job_id>/retry")
def retry(job_id: str) -> AnyResponse:
    stores().jobs.retry(job_id, _version())
    ring()
    return _see_job(job_id)


@blueprint.get("/hand-in")
def hand_in() -> str:
    return _form({}, [], [])


@blueprint.post("/hand-in", endpoint="hand_in_post")
def take_in() -> AnyResponse | tuple[str, int]:
    """The same schema as the REST interface's; what it refuses comes back beside its field."""
    form, ticked = request.form.to_dict(), request.form.getlist("material.material_ids")
    body = intake.body_of(form, ticked)
    problems = intake.own_problems(form)
    try:
        spec: JobSpec = JobSchema().load(body)
        require_known_materials(spec, material_ids(context().shop.newest()))
    except InvalidError as error:
        problems += intake.problems_of(error.fields, *intake.filled_rows(form))
    if problems:
        return _form(form, ticked, problems), HTTPStatus.UNPROCESSABLE_ENTITY
    return _see_job(_accept_once(spec, form.get("once", ""), body))


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


def _accept_once(spec: JobSpec, once: str, body: Mapping[str, Any]) -> str:
    """Keep and queue the job; the same form sent twice is one job, a form changed in between is another."""
    payload = to_json(body)
    key = f"{once[:80]}.{hashlib.sha256(payload).hexdigest()}"
    turn = _begin(key, payload)
    if isinstance(turn, Answer):
        return turn.location or ""
    [job_id] = job_ids(1)
    try:
        _accept(spec, job_id, turn)
    except BorewrightError:
        stores().idempotency.abandon(turn)
        raise
    ring()
    return job_id


def _begin(key: str, payload: bytes) -> Reservation | Answer:
    """The right to carry the form out, or the answer of the first time, waited for while that still runs."""
    deadline = time.monotonic() + FIRST_CLICK_S
    while True:
        try:
            return stores().idempotency.begin(FORM_SCOPE, key, payload)
        except InProgressError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.05)


def _accept(spec: JobSpec, job_id: str, turn: Reservation) -> None:
    answer = Answer(status=303, body="", location=job_id)
    stores().jobs.accept([spec], [job_id], also=lambda pipe: turn.finish(pipe, answer))


def _form(form: Mapping[str, str], ticked: list[str], problems: list[intake.Problem]) -> str:
    beside: dict[str, list[str]] = {}
    for one in problems:
        beside.setdefault(one.field, []).append(one.detail)
    return _page(
        "hand_in.html",
        "hand_in",
        form=form,
        ticked=ticked,
        problems=beside,
        labels=intake.LABELS,
        materials=context().shop.newest().materials,
        kinds=intake.KINDS,
        details=intake.DETAILS,
        emphases=[(key, words) for key, (words, _) in intake.EMPHASES.items()],
        uses=intake.USES,
        tolerance_rows=intake.TOLERANCES,
        rows_used=intake.rows_to_show(form, beside),
        once=form.get("once") or secrets.token_urlsafe(18),
    )


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


def _see_job(job_id: str) -> AnyResponse:
    return redirect(url_for("pages.job", job_id=job_id), HTTPStatus.SEE_OTHER)
