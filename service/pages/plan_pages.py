"""Plans of the whole queue: asked for, watched, looked at beside today's lists, put into force or left."""

from __future__ import annotations

import secrets
import time
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from flask import Blueprint, request
from werkzeug.wrappers import Response

from service.api.intake import ring_planning
from service.api.plans import DEFAULT_S, WEIGHT_WORDS, PlanBody, PlanBodySchema
from service.api.things import new_id
from service.context import context, stores
from service.pages.accepting import Also, made_once
from service.pages.pictures import add_pictures
from service.pages.plan_view import STATE_WORDS, PlanView, plan_view
from service.pages.rendering import page, see
from service.pages.wording import problem_words
from workers import tasks
from workers.model.codec import from_json, to_json, to_plain
from workers.model.errors import ConflictError, InvalidError
from workers.model.job import JobState
from workers.model.plan import PLAN, PlanRequest, PlanResult, PlanWeights
from workers.store.heads import heads
from workers.tasks.plans import JOBS_MOST

PLANS_A_PAGE = 25
SCOPE = "form /plans"
SECONDS: Mapping[str, str] = {"5": "5 seconds", "20": "20 seconds", "60": "1 minute", "300": "5 minutes"}
LABELS: Mapping[str, str] = {
    "tardiness": "Lateness",
    "makespan": "The last end",
    "flow": "Waiting",
    "setup": "Setups",
    "failure": "Failed copies",
    "quality": "Quality given up",
}


def add_to(blueprint: Blueprint) -> None:
    blueprint.add_url_rule("/plans", "plans", show_all)
    blueprint.add_url_rule("/plans", "ask_plan", ask, methods=["POST"])
    blueprint.add_url_rule("/plans/<plan_id>", "plan", show)
    blueprint.add_url_rule("/plans/<plan_id>/stop", "stop_plan", stop, methods=["POST"])
    blueprint.add_url_rule("/plans/<plan_id>/apply", "apply_plan", apply, methods=["POST"])
    add_pictures(blueprint, "/plans/<plan_id>", "plan", show)


def show_all() -> str:
    return _all({}, {})


def ask() -> Response | tuple[str, int]:
    """Keep and ring for a plan; what the schema refuses comes back beside its field."""
    form = request.form.to_dict()
    try:
        body: PlanBody = PlanBodySchema().load(_body_of(form))
    except InvalidError as error:
        return _all(form, _problems(error)), HTTPStatus.UNPROCESSABLE_ENTITY
    asked = PlanRequest(weights=body.weights, seed=body.seed)

    def make(plan_id: str, also: Also) -> None:
        stores().long_tasks.create(PLAN, plan_id, to_json(asked), seconds=body.seconds, also=also)
        ring_planning()

    return see("pages.plan", plan_id=made_once(SCOPE, form.get("once", ""), to_plain(body), new_id(), make))


def show(plan_id: str) -> str:
    return _one(plan_id)


def stop(plan_id: str) -> Response:
    """What waits ends; what runs ends with the best so far."""
    stores().long_tasks.cancel(PLAN, plan_id, None, "")
    return see("pages.plan", plan_id=plan_id)


def apply(plan_id: str) -> Response | tuple[str, int]:
    """All of it or nothing; where something changed meanwhile, the page says what."""
    try:
        tasks.apply_plan(stores(), plan_id)
    except ConflictError as error:
        return _one(plan_id, error.detail), HTTPStatus.CONFLICT
    return see("pages.plan", plan_id=plan_id)


def _body_of(form: Mapping[str, str]) -> dict[str, Any]:
    weights = {name: _number(form.get(f"weight-{name}", "")) for name in LABELS}
    given = {name: value for name, value in weights.items() if value is not None}
    return {"seconds": _number(form.get("seconds", "")) or DEFAULT_S, "weights": given}


def _number(text: str) -> float | str | None:
    """A figure with a decimal comma or point; what is none stays text, for the schema to refuse; None: left empty."""
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        return text.strip()[:40] or None


def _problems(error: InvalidError) -> dict[str, str]:
    """By field of the form."""
    named = {one.pointer.rpartition("/")[2]: problem_words(one) for one in error.fields} or {"weights": error.detail}
    return {f"weight-{name}" if name in LABELS else name: said for name, said in named.items()}


def _all(form: Mapping[str, str], problems: Mapping[str, str]) -> str:
    after = request.args.get("after", "")[:40] or None
    found = stores().long_tasks.page(PLAN, after, PLANS_A_PAGE)
    return page(
        "plans.html",
        "plans",
        plans=found.items,
        states=STATE_WORDS,
        after=after,
        older=found.next_cursor,
        form=form,
        problems=problems,
        once=form.get("once") or secrets.token_urlsafe(18),
        listed=stores().jobs.counts().get(JobState.BOUND, 0),
        most=JOBS_MOST,
        seconds=SECONDS,
        labels=LABELS,
        hints=WEIGHT_WORDS,
        weights=to_plain(PlanWeights()),
    )


def _one(plan_id: str, problem: str = "") -> str:
    last_event = stores().events.last_id()
    return page(
        "plan.html", "plans", pictures="pages.plan", view=_view(plan_id), problem=problem, last_event=last_event
    )


def _view(plan_id: str) -> PlanView:
    """Raises NotFoundError."""
    task, shop = stores().long_tasks.get(PLAN, plan_id), context().shop.newest()
    result = None if task.result is None else from_json(task.result, PlanResult)
    machines = [one.id for one in shop.machines] if result is not None else []
    lists = heads(stores().client, stores().keys, machines, JOBS_MOST) if machines else {}
    return plan_view(task, from_json(task.request, PlanRequest), result, shop, lists, time.time())
