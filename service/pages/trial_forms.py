"""Forms of bore trials: define one of the gauge piece, start it, and report what became of each run."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from flask import Blueprint, request
from werkzeug.wrappers import Response

from service.api.bore_trials import keep_laid_out, start
from service.api.idempotency import Turn
from service.api.trial_runs import take_result
from service.api.trial_schema import ResultSchema, TrialPlanSchema
from service.context import context, stores
from service.pages.claim_pages import LABELS, SCRAP_WORDS, body_of, figure_of, problems_of
from service.pages.names import names_of
from service.pages.rendering import page, see
from service.pages.wording import problem_words
from workers.model.errors import InvalidError
from workers.model.trial import BoreTrial, Measure, MeasureKind, TrialRun

REPLICATES, SEED = 3, 1  # what a new trial is offered with
NEW: Mapping[str, str] = {
    "name": "Name",
    "bores_mm": "Bores",
    "machine_ids": "Machines",
    "material_ids": "Materials",
    "replicates": "How often each is printed",
    "seed": "Seed of the draw",
}
TICKED = ("machine_ids", "material_ids")


def add_to(blueprint: Blueprint) -> None:
    blueprint.add_url_rule("/bore-trials/new", "new_trial", show_new)
    blueprint.add_url_rule("/bore-trials/new", "define_trial", define, methods=["POST"])
    blueprint.add_url_rule("/bore-trials/<trial_id>/start", "start_trial", start_trial, methods=["POST"])
    blueprint.add_url_rule("/bore-trials/<trial_id>/runs/<int:number>", "trial_run", show_run)
    blueprint.add_url_rule("/bore-trials/<trial_id>/runs/<int:number>", "report_run", report, methods=["POST"])


def show_new() -> str:
    return _new({"replicates": str(REPLICATES), "seed": str(SEED)}, {})


def define() -> Response | tuple[str, int]:
    """What is refused comes back with all that was filled in."""
    form: dict[str, Any] = request.form.to_dict()
    form |= {name: request.form.getlist(name) for name in TICKED}
    typed = {
        "name": form.get("name", "").strip(),
        "bores_mm": [figure_of(one) for one in form.get("bores_mm", "").replace(";", " ").split()],
        "machine_ids": form["machine_ids"],
        "material_ids": form["material_ids"],
        "replicates": _whole(form.get("replicates", "")),
        "seed": _whole(form.get("seed", "")),
    }
    body = {name: value for name, value in typed.items() if value not in ("", [])}  # what is empty is missing
    try:
        trial = keep_laid_out(TrialPlanSchema().load(body))
    except InvalidError as error:
        return _new(form, _beside(error, form)), HTTPStatus.UNPROCESSABLE_ENTITY
    return see("pages.trial", trial_id=trial.id)


def start_trial(trial_id: str) -> Response:
    start(trial_id)
    return see("pages.trial", trial_id=trial_id)


def show_run(trial_id: str, number: int) -> str:
    trial = stores().trials.get(trial_id)
    return _run(trial, trial.run(number), {}, [])


def report(trial_id: str, number: int) -> Response | tuple[str, int]:
    """Raises ConflictError for a run that takes no result now."""
    trial = stores().trials.get(trial_id)
    run, form = trial.run(number), request.form.to_dict()
    sizes, graded = _of_run(trial, run, MeasureKind.SIZE), _of_run(trial, run, MeasureKind.KEPT)
    body, rows = body_of(form, [one.name for one in sizes])
    body.pop("remake", None)
    for word in ("kept", "lost"):
        body[word] = [one.name for i, one in enumerate(graded) if form.get(f"seen-{i}") == word]
    try:
        take_result(ResultSchema().load(body), trial_id, number, Turn())
    except InvalidError as error:
        return _run(trial, run, form, problems_of(error.fields, rows)), HTTPStatus.UNPROCESSABLE_ENTITY
    return see("pages.trial", trial_id=trial_id)


def _of_run(trial: BoreTrial, run: TrialRun, kind: MeasureKind) -> list[Measure]:
    return [one for one in trial.plan.measures if one.kind is kind and one.is_on(run)]


def _whole(text: str) -> int | str:
    text = text.strip()
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 10 else text[:20]


def _beside(error: InvalidError, form: Mapping[str, Any]) -> dict[str, list[str]]:
    """What is said beside each field; under "" what belongs to none."""
    said: dict[str, list[str]] = {name: ["tick at least one"] for name in TICKED if not form[name]}
    for one in error.fields:
        field = one.pointer.strip("/").partition("/")[0]
        if field not in TICKED or form[field]:
            said.setdefault(field if field in NEW else "", []).append(problem_words(one))
    return said or {"": [error.detail]}


def _new(form: Mapping[str, Any], problems: Mapping[str, list[str]]) -> str:
    shop = context().shop.newest()
    return page(
        "trial_new.html",
        "trials",
        form=form,
        problems=problems,
        labels=NEW,
        machines=shop.machines,
        materials=shop.materials,
    )


def _run(trial: BoreTrial, run: TrialRun, form: dict[str, str], problems: list[tuple[str, str]]) -> str:
    sizes = _of_run(trial, run, MeasureKind.SIZE)
    return page(
        "trial_run.html",
        "trials",
        trial=trial,
        run=run,
        names=names_of(context().shop.newest()),
        sizes=sizes,
        graded=_of_run(trial, run, MeasureKind.KEPT),
        scrap=SCRAP_WORDS,
        labels=LABELS | {f"size-{i}": one.name for i, one in enumerate(sizes)},
        form=form,
        problems=dict(reversed(problems)),
    )
