"""/v1/bore-trials/{id}/runs/{number}: what became of a run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from flask import Response
from redis.client import Pipeline

from service.api.answers import answer, plain, versioned
from service.api.blueprint import ETAG, IDEMPOTENCY_KEY, LOCATION, ResourceBlueprint
from service.api.bore_trials import trial_version
from service.api.etags import etag_of
from service.api.idempotency import Turn, turn
from service.api.jobs import IF_MATCH_OPTIONAL
from service.api.outcome_intake import outcome_from
from service.api.outcome_schema import OutcomeReport, SizeReport
from service.api.trial_answers import RunSchema, WholeTrialSchema, location_of, run_answer, whole
from service.api.trial_schema import ResultBody, ResultSchema
from service.context import context, stores
from workers import tasks
from workers.model.codec import to_json
from workers.model.errors import ConflictError, FieldProblem, InvalidError, NotFoundError
from workers.model.job import JobState
from workers.model.outcome import Outcome, OutcomeState
from workers.model.trial import BoreTrial, Measure, MeasureKind, RunResult, RunSize, TrialRun, TrialState
from workers.store.idempotency import Answer
from workers.store.outcomes import OutcomeFilter

blueprint = ResourceBlueprint(
    "bore-trial-runs",
    __name__,
    url_prefix="/v1/bore-trials/<trial_id>/runs/<int:number>",
    description="Results of the runs of a bore trial. A result becomes one outcome, which the evidence learns from "
    "once, or which is flagged where it is out of line; taking the result back takes the outcome back.",
)
EXAMPLE = {
    "accepted": True,
    "print_h": 1.4,
    "sizes": [{"name": "hole 8", "measured_mm": 7.93}, {"name": "boss 8", "measured_mm": 8.06}],
    "kept": ["rib 0.5", "rib 0.6", "rib 0.8"],
    "lost": ["rib 0.3", "rib 0.4"],
    "note": "Measured cold, the next morning",
}


@blueprint.at("", summary="One run of a bore trial", operation="get-bore-trial-run")
@blueprint.gives(200, RunSchema, headers=ETAG)
@blueprint.refuses(404)
def get_run(trial_id: str, number: int) -> Response:
    return run_answer(stores().trials.get(trial_id), number)


@blueprint.at("/result", "POST", summary="Report what became of a run", operation="create-bore-trial-result")
@blueprint.headers(IDEMPOTENCY_KEY, IF_MATCH_OPTIONAL)
@blueprint.takes(ResultSchema, example=EXAMPLE)
@blueprint.gives(201, RunSchema, "Kept, and its outcome with it", headers=LOCATION | ETAG)
@blueprint.refuses(404, 409, 412)
def post_result(body: ResultBody, trial_id: str, number: int) -> Response:
    with turn(f"POST {_path(trial_id, number)}/result") as mine:
        if mine.replay is not None:
            return mine.replay
        finished = take_result(body, trial_id, number, mine)
    return answer(finished.body, 201, location=finished.location, etag=finished.etag)


def take_result(body: ResultBody, trial_id: str, number: int, mine: Turn) -> Answer:
    """Keep it, and hand in what is due then. Raises InvalidError, ConflictError, NotFoundError."""
    expected = trial_version(trial_id)
    trial = stores().trials.get(trial_id)
    if expected is not None:
        expected(trial.version)
    run = _reportable(trial, number)
    _require_measures(trial, run, body)
    claimed = _claimed(run)
    filled = _with_claim(trial, run, body, claimed)
    outcome = outcome_from(_report(trial, run, filled))
    spool_id = _spool(run, filled)
    _make_room(trial, run, claimed)
    finished = _Keeping(trial_id, number, filled, spool_id, expected, mine).keep(outcome)
    tasks.advance_trial(stores(), trial_id)
    return finished


@blueprint.at("/result", "DELETE", summary="Take a result back, and its outcome", operation="delete-bore-trial-result")
@blueprint.headers(IF_MATCH_OPTIONAL)
@blueprint.gives(200, WholeTrialSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412)
def delete_result(trial_id: str, number: int) -> Response:
    expected = trial_version(trial_id)
    trial = stores().trials.get(trial_id)
    if expected is not None:
        expected(trial.version)
    result = trial.run(number).result
    if result is None:
        raise NotFoundError(f"run {number} has no result")
    _withdraw(result.outcome_id, f"the result of run {number} of bore trial {trial_id} was taken back")

    def decide(now: BoreTrial) -> BoreTrial:
        return now.with_run(replace(now.run(number), result=None))

    kept = stores().trials.change(trial_id, "result-withdrawn", decide, data={"run": number})
    return versioned(whole(kept))


def _path(trial_id: str, number: int) -> str:
    return f"{location_of(trial_id)}/runs/{number}"


def _reportable(trial: BoreTrial, number: int) -> TrialRun:
    """Raises NotFoundError, ConflictError."""
    run = trial.run(number)
    if trial.state is not TrialState.RUNNING:
        raise ConflictError(f"the trial is {trial.state}; results are taken while it runs")
    if run.result is not None:
        raise ConflictError("the run has a result already: take it back first")
    if run.job_id is None:
        raise ConflictError("the run is not handed in yet: runs are printed in the drawn order")
    return run


def _require_measures(trial: BoreTrial, run: TrialRun, body: ResultBody) -> None:
    """Raises InvalidError at each name that is no measure of its kind, or not one of the run's piece."""
    sizes = _names(trial, run, MeasureKind.SIZE)
    graded = _names(trial, run, MeasureKind.KEPT)
    problems = [
        FieldProblem(f"/sizes/{i}/name", "the trial measures no such size", ", ".join(sizes) or "none")
        for i, one in enumerate(body.sizes)
        if one.name not in sizes
    ]
    for field in ("kept", "lost"):
        for i, name in enumerate(getattr(body, field)):
            if name not in graded:
                allowed = ", ".join(graded) or "none"
                problems.append(FieldProblem(f"/{field}/{i}", "the trial looks at no such feature", allowed))
    if problems:
        raise InvalidError(problems[0].detail, fields=tuple(problems))


def _names(trial: BoreTrial, run: TrialRun, kind: MeasureKind) -> dict[str, Measure]:
    return {one.name: one for one in trial.plan.measures if one.kind is kind and one.is_on(run)}


def _claimed(run: TrialRun) -> Outcome | None:
    """What the run's claim has reported, if there was one. Raises ConflictError while it is being printed."""
    tasks.record_outcomes(stores())  # of claims that have just finished
    job = stores().jobs.get(run.job_id or "")
    if job.state is JobState.PRINTING:
        raise ConflictError(f"job {job.id} is being printed: finish its claim first")
    known = stores().outcomes.newest_first(OutcomeFilter(job_id=run.job_id))
    return next((one for one in known if one.state is not OutcomeState.WITHDRAWN), None)


def _with_claim(trial: BoreTrial, run: TrialRun, body: ResultBody, claimed: Outcome | None) -> ResultBody:
    """What the result leaves open, as the claim of the same copy said."""
    if claimed is None:
        return body
    given, measured = {one.name for one in body.sizes}, _names(trial, run, MeasureKind.SIZE)
    more = tuple(
        RunSize(name=one.name, measured_mm=one.measured_mm)
        for one in claimed.sizes
        if one.name in measured and one.name not in given
    )
    return replace(
        body,
        print_h=claimed.print_h if body.print_h is None else body.print_h,
        extruded_cm3=claimed.extruded_cm3 if body.extruded_cm3 is None else body.extruded_cm3,
        clogs=max(body.clogs, claimed.clogs),
        sizes=(*body.sizes, *more),
    )


def _report(trial: BoreTrial, run: TrialRun, body: ResultBody) -> OutcomeReport:
    """The result as any print is reported: every size says itself what it is."""
    measures = _names(trial, run, MeasureKind.SIZE)
    return OutcomeReport(
        accepted=body.accepted,
        job_id=run.job_id,
        machine_id=run.machine_id,
        nozzle_id=run.nozzle_id,
        material_id=run.material_id,
        bead_width_mm=run.bead_width_mm,
        layer_height_mm=run.layer_height_mm,
        scrap_reason=body.scrap_reason,
        clogs=body.clogs,
        print_h=body.print_h,
        extruded_cm3=body.extruded_cm3,
        sizes=tuple(_size_report(measures[one.name], one.measured_mm) for one in body.sizes),
        at=body.at,
        note=body.note,
    )


def _size_report(measure: Measure, measured_mm: float) -> SizeReport:
    return SizeReport(
        name=measure.name,
        measured_mm=measured_mm,
        kind=measure.feature,
        nominal_mm=measure.nominal_mm,
        axis=measure.axis,
        facets=measure.facets,
        lower_mm=measure.lower_mm,
        upper_mm=measure.upper_mm,
    )


def _spool(run: TrialRun, body: ResultBody) -> str | None:
    """The spool that was named, else the block's if it is still there. Raises InvalidError for one that cannot be."""
    spools = {one.id: one for one in context().shop.newest().spools if one.material_id == run.material_id}
    if body.spool_id is None:
        return run.spool_id if run.spool_id in spools else None
    if body.spool_id not in spools:
        detail = f"no spool of {run.material_id} has the id {body.spool_id!r}"
        raise InvalidError(detail, fields=(FieldProblem("/spool_id", detail),))
    return body.spool_id


def _make_room(trial: BoreTrial, run: TrialRun, claimed: Outcome | None) -> None:
    """The run off its dispatch list, and what its claim taught taken back: the result says it all, once.

    A result that is cut off here is reported again; nothing is learnt twice.
    """
    why = f"reported as run {run.number} of bore trial {trial.id}"
    tasks.cancel_job(stores(), run.job_id or "", why)
    if claimed is not None:
        _withdraw(claimed.id, why)


def _withdraw(outcome_id: str, reason: str) -> None:
    try:
        stores().outcomes.withdraw(outcome_id, reason=reason)
    except (ConflictError, NotFoundError):
        return  # it is withdrawn already


@dataclass(slots=True)
class _Keeping:
    """Outcome, evidence, trial and the answer to the Idempotency-Key, in one MULTI."""

    trial_id: str
    number: int
    body: ResultBody
    spool_id: str | None
    expected: Callable[[int], object] | None
    mine: Turn
    seen: BoreTrial | None = None
    finished: Answer | None = None

    def keep(self, outcome: Outcome) -> Answer:
        """Raises as ``OutcomeRepository.keep``, ConflictError where the run has a result by now."""
        stores().outcomes.keep(
            outcome,
            spool_id=self.spool_id,
            watch=[stores().keys.bore_trial(self.trial_id)],
            guard=self._guard,
            also=self._also,
        )
        if self.finished is None:
            raise RuntimeError("the outcome was kept without its trial")
        return self.finished

    def _guard(self) -> None:
        self.seen = stores().trials.get(self.trial_id)
        if self.expected is not None:
            self.expected(self.seen.version)
        _reportable(self.seen, self.number)

    def _also(self, pipe: Pipeline, outcome: Outcome) -> None:
        if self.seen is None:
            raise RuntimeError("the trial was not looked at before it was written")
        run = replace(self.seen.run(self.number), result=_result(self.body, outcome))
        after = stores().trials.next_version(self.seen, self.seen.with_run(run))
        data = {"run": self.number, "outcome_id": outcome.id, "accepted": outcome.accepted}
        stores().trials.write(pipe, after, "result", data)
        location = f"{location_of(self.trial_id)}/runs/{self.number}"
        body = to_json(plain(run)).decode()
        self.finished = Answer(status=201, body=body, location=location, etag=etag_of(after.version))
        self.mine.also(self.finished)(pipe)


def _result(body: ResultBody, outcome: Outcome) -> RunResult:
    return RunResult(
        at=outcome.at,
        accepted=body.accepted,
        scrap_reason=body.scrap_reason,
        clogs=body.clogs,
        print_h=body.print_h,
        extruded_cm3=outcome.extruded_cm3,
        sizes=body.sizes,
        kept=body.kept,
        lost=body.lost,
        spool_id=outcome.spool_id,
        note=body.note,
        outcome_id=outcome.id,
    )
