"""/v1/bore-trials: define a randomised comparison of bores, start it, and read what it says."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

from flask import Response

from service.api.answers import answer, plain, versioned
from service.api.blueprint import ETAG, IDEMPOTENCY_KEY, IF_NONE_MATCH, LINK, LOCATION, ResourceBlueprint
from service.api.described import schema_of
from service.api.etags import allowed_version, etag_of
from service.api.fields import Note
from service.api.histories import HistorySchema, history_answer
from service.api.idempotency import turn
from service.api.jobs import IF_MATCH_OPTIONAL
from service.api.paging import PageQuery, PageQuerySchema, after_of, limit_of, page_answer, page_schema
from service.api.schema import RecordSchema
from service.api.things import require_reference
from service.api.trial_answers import (
    NextRuns,
    NextRunsSchema,
    TrialBriefSchema,
    WholeTrialSchema,
    brief,
    location_of,
    material_names,
    results_csv,
    whole,
)
from service.api.trial_schema import TrialPlanSchema
from service.context import context, stores
from workers import tasks
from workers.geometry import gauge_piece
from workers.model.codec import to_json
from workers.model.errors import ConflictError, FieldProblem, InvalidError
from workers.model.fleet import Machine, Material, Nozzle
from workers.model.part import GeometrySummary
from workers.model.shop import Shop
from workers.model.trial import BoreTrial, TrialPlan, TrialState
from workers.planning.trials.analysis import report_of
from workers.planning.trials.layout import lay_out
from workers.planning.trials.release import next_of
from workers.planning.trials.report import TrialReport
from workers.store.idempotency import Answer
from workers.store.parts import require_usable
from workers.store.trials import subject_of

blueprint = ResourceBlueprint(
    "bore-trials",
    __name__,
    url_prefix="/v1/bore-trials",
    description="Bore trials: a planned, randomised comparison of bores on the same pieces. Machine and spool are "
    "blocks, the order is drawn from a seed, the runs are handed in as jobs, and their results say which bore holds "
    "which use.",
)
EXAMPLE = {
    "name": "Is a 0.5 worth having?",
    "bores_mm": [0.4, 0.5, 0.6],
    "material_ids": ["pa-cf"],
    "machine_ids": ["alder", "birch"],
    "replicates": 4,
    "seed": 20260504,
}
NO_SNIFF = {"X-Content-Type-Options": "nosniff"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    reason: str = ""


class EndingSchema(RecordSchema):
    makes = Ending
    reason = Note(500)


@blueprint.at("", "POST", summary="Define a bore trial: laid out, not started", operation="create-bore-trial")
@blueprint.headers(IDEMPOTENCY_KEY)
@blueprint.takes(TrialPlanSchema, example=EXAMPLE)
@blueprint.gives(201, WholeTrialSchema, "Laid out: hours, grams and power are in it", headers=LOCATION | ETAG)
@blueprint.refuses(409)
def post_trial(plan: TrialPlan) -> Response:
    with turn("POST /v1/bore-trials") as mine:
        if mine.replay is not None:
            return mine.replay
        body = whole(trial := _laid_out(plan))
        location = location_of(trial.id)
        finished = Answer(status=201, body=to_json(body).decode(), location=location, etag=etag_of(1))
        stores().trials.create(trial, also=mine.also(finished))
        return versioned(body, 201, location=location)


@blueprint.at("", summary="List bore trials, newest first", operation="list-bore-trials")
@blueprint.asks(PageQuerySchema)
@blueprint.gives(200, page_schema(TrialBriefSchema, "BoreTrialBrief"), headers=LINK)
def list_trials(query: PageQuery) -> Response:
    page = stores().trials.page(after_of(query), limit_of(query))
    return page_answer([brief(trial) for trial in page.items], page.next_cursor)


@blueprint.at("/gauge-piece.stl", summary="The built-in gauge piece as a mesh, in mm", operation="get-gauge-piece-mesh")
@blueprint.gives(200, description="Binary STL", content_type="model/stl")
def get_gauge_piece_mesh() -> Response:
    response = Response(gauge_piece.stl(), mimetype="model/stl", headers=NO_SNIFF)
    response.headers["Content-Disposition"] = 'attachment; filename="gauge-piece.stl"'
    return response


@blueprint.at("/<trial_id>", summary="One bore trial: runs, hours and power", operation="get-bore-trial")
@blueprint.headers(IF_NONE_MATCH)
@blueprint.gives(200, WholeTrialSchema, headers=ETAG)
@blueprint.gives(304, headers=ETAG)
@blueprint.refuses(404)
def get_trial(trial_id: str) -> Response:
    return versioned(whole(stores().trials.get(trial_id)))


@blueprint.at("/<trial_id>/next", summary="What each machine prints next", operation="get-bore-trial-next")
@blueprint.gives(200, NextRunsSchema)
@blueprint.refuses(404)
def get_next(trial_id: str) -> Response:
    trial = stores().trials.get(trial_id)
    found = next_of(trial, tasks.ended_jobs(stores(), trial), context().shop.newest())
    return answer(to_json(plain(NextRuns(items=found))))


@blueprint.at("/<trial_id>/analysis", summary="What the results say so far", operation="get-bore-trial-analysis")
@blueprint.headers(IF_NONE_MATCH)
@blueprint.gives(200, schema_of(TrialReport), headers=ETAG)
@blueprint.gives(304, headers=ETAG)
@blueprint.refuses(404)
def get_analysis(trial_id: str) -> Response:
    report = report_of(stores().trials.get(trial_id), material_names(context().shop.newest()))
    return versioned(plain(report))


@blueprint.at("/<trial_id>/results.csv", summary="The results, one row a run", operation="get-bore-trial-table")
@blueprint.gives(200, description="RFC 4180, UTF-8", content_type="text/csv")
@blueprint.refuses(404)
def get_table(trial_id: str) -> Response:
    trial = stores().trials.get(trial_id)
    response = Response(results_csv(trial), mimetype="text/csv", headers=NO_SNIFF)
    response.headers["Content-Disposition"] = f'attachment; filename="bore-trial-{trial.id}.csv"'
    return response


@blueprint.at("/<trial_id>/history", summary="What happened to a bore trial", operation="get-bore-trial-history")
@blueprint.gives(200, HistorySchema)
@blueprint.refuses(404)
def get_history(trial_id: str) -> Response:
    return history_answer(subject_of(trial_id), lambda: stores().trials.get(trial_id))


@blueprint.at("/<trial_id>/start", "POST", summary="Hand in the first runs", operation="start-bore-trial")
@blueprint.headers(IF_MATCH_OPTIONAL)
@blueprint.gives(200, WholeTrialSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412)
def post_start(trial_id: str) -> Response:
    start(trial_id)
    return versioned(whole(stores().trials.get(trial_id)))


def start(trial_id: str) -> None:
    """Raises NotFoundError, ConflictError."""
    _require_part(stores().trials.get(trial_id).plan)
    _move(trial_id, "started", TrialState.RUNNING, {TrialState.PLANNED})
    tasks.advance_trial(stores(), trial_id)


def keep_laid_out(plan: TrialPlan) -> BoreTrial:
    """A trial without an Idempotency-Key. Raises InvalidError with pointers into the plan."""
    trial = _laid_out(plan)
    stores().trials.create(trial)
    return trial


@blueprint.at(
    "/<trial_id>/closing", "POST", summary="End a trial with the results it has", operation="close-bore-trial"
)
@blueprint.headers(IF_MATCH_OPTIONAL)
@blueprint.takes(EndingSchema, example={"reason": "All runs are measured"})
@blueprint.gives(200, WholeTrialSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412)
def post_closing(ending: Ending, trial_id: str) -> Response:
    return _ended(trial_id, "closed", TrialState.CLOSED, {TrialState.RUNNING}, ending)


@blueprint.at("/<trial_id>/cancellation", "POST", summary="Give a trial up", operation="cancel-bore-trial")
@blueprint.headers(IF_MATCH_OPTIONAL)
@blueprint.takes(EndingSchema, example={"reason": "The machine is needed elsewhere"})
@blueprint.gives(200, WholeTrialSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412)
def post_cancellation(ending: Ending, trial_id: str) -> Response:
    return _ended(trial_id, "cancelled", TrialState.CANCELLED, {TrialState.PLANNED, TrialState.RUNNING}, ending)


def trial_version(trial_id: str) -> Callable[[int], object] | None:
    """What If-Match allows; 404 comes before 412 (RFC 9110 section 13.2.1)."""
    stores().trials.get(trial_id)
    allowed = allowed_version()
    return None if allowed is None else allowed.require


def _ended(trial_id: str, verb: str, to: TrialState, allowed: set[TrialState], ending: Ending) -> Response:
    trial = _move(trial_id, verb, to, allowed, ending.reason)
    tasks.cancel_open_jobs(stores(), trial, f"bore trial {trial_id} was {verb}")
    return versioned(whole(trial))


def _move(trial_id: str, verb: str, to: TrialState, allowed: set[TrialState], reason: str = "") -> BoreTrial:
    def decide(trial: BoreTrial) -> BoreTrial:
        if trial.state not in allowed:
            names = " or ".join(sorted(allowed))
            raise ConflictError(f"the trial is {trial.state}; it can be {verb} while it is {names}")
        return replace(trial, state=to, reason=reason)

    data = {"reason": reason} if reason else None
    return stores().trials.change(trial_id, verb, decide, expected=trial_version(trial_id), data=data)


def _laid_out(plan: TrialPlan) -> BoreTrial:
    """Raises InvalidError with pointers into the plan."""
    shop, now = context().shop.newest(), time.time()
    _require_known(shop, plan)
    laid = lay_out(shop, plan, [_piece(part_id, pointer) for part_id, pointer in _pointed(plan)], now)
    return BoreTrial(
        id=stores().trials.new_id(),
        state=TrialState.PLANNED,
        version=1,
        plan=plan,
        runs=laid.runs,
        efficiency=laid.efficiency,
        created_at=now,
        updated_at=now,
        left_out=laid.left_out,
        notes=laid.notes,
    )


def _require_known(shop: Shop, plan: TrialPlan) -> None:
    problems: list[FieldProblem] = []
    for kind, field in ((Machine, "machine_ids"), (Material, "material_ids"), (Nozzle, "nozzle_ids")):
        for i, thing_id in enumerate(getattr(plan, field)):
            try:
                require_reference(shop, kind, thing_id, f"{field}/{i}")
            except InvalidError as error:
                problems += error.fields
    if problems:
        raise InvalidError(problems[0].detail, fields=tuple(problems))


def _pointed(plan: TrialPlan) -> list[tuple[str | None, str]]:
    """The pieces, each with its place in the plan."""
    if not plan.part_ids:
        return [(plan.part_id, "/part_id")]
    return [(part_id, f"/part_ids/{i}") for i, part_id in enumerate(plan.part_ids)]


def _piece(part_id: str | None, pointer: str) -> GeometrySummary:
    """What is printed. Raises InvalidError at ``pointer`` for a part that is not analysed, or lies in several poses."""
    if part_id is None:
        return gauge_piece.summary()
    try:
        require_usable(stores().parts.heads([part_id])[0], part_id)
    except InvalidError as error:
        raise _bad_part(error.detail, pointer) from None
    poses = stores().parts.get(part_id).poses
    if len(poses) != 1:
        why = "is not analysed yet" if not poses else "may be printed in several poses: hand it in as-given"
        raise _bad_part(f"the part {why}, so that every run is printed alike", pointer)
    return poses[0].summary


def _require_part(plan: TrialPlan) -> None:
    """Raises ConflictError where a part has been deleted since the trial was defined."""
    named = [part_id for part_id in plan.pieces if part_id is not None]
    if named and any(head is None for head in stores().parts.heads(named)):
        raise ConflictError("a part of the trial is not kept any more: hand it in again, as-given")


def _bad_part(detail: str, pointer: str) -> InvalidError:
    return InvalidError(detail, fields=(FieldProblem(pointer, detail),))
