"""The copy in hand: what it needs, how long it is held, and the forms to hold on, give back and finish."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from flask import Blueprint, request
from werkzeug.wrappers import Response

from service.api.claims import Finish, FinishSchema, RenewalSchema
from service.api.part_jobs import with_part
from service.context import context, stores
from service.pages.names import names_of
from service.pages.rendering import page, see
from service.pages.wording import problem_words
from workers import tasks
from workers.model.dispatch import Claim, ClaimState
from workers.model.errors import FieldProblem, InvalidError, NotFoundError
from workers.model.job import JobSpec
from workers.model.outcome import Report, ScrapReason
from workers.model.routing import Candidate
from workers.routing.printed import Printed, candidate_printed

SCRAP_WORDS: dict[ScrapReason, str] = {
    ScrapReason.CLOG: "the nozzle clogged",
    ScrapReason.SIZE: "a size is out of its limits",
    ScrapReason.DETAIL: "a detail is missing",
    ScrapReason.WARPED: "it warped",
    ScrapReason.CAME_LOOSE: "it came loose from the bed",
    ScrapReason.SURFACE: "its surface is not good enough",
    ScrapReason.BROKE: "it broke",
    ScrapReason.OTHER: "something else",
}
LABELS = {
    "accepted": "Is it good?",
    "scrap_reason": "What is wrong with it",
    "print_h": "Hours it took",
    "extruded_cm3": "Filament used (cm³)",
    "clogs": "Clogs",
    "note": "Note",
}


def add_to(blueprint: Blueprint) -> None:
    blueprint.add_url_rule("/claims/<claim_id>", "claim", show)
    blueprint.add_url_rule("/claims/<claim_id>/renew", "renew_claim", renew, methods=["POST"])
    blueprint.add_url_rule("/claims/<claim_id>/give-back", "give_claim_back", give_back, methods=["POST"])
    blueprint.add_url_rule("/claims/<claim_id>/finish", "finish_claim", finish, methods=["POST"])


def show(claim_id: str) -> str:
    return _form(stores().claims.get(claim_id), {}, [])


def renew(claim_id: str) -> Response:
    """Raises InvalidError for what is no figure, ClaimOverError where the copy is not ours any more."""
    percent, hours = (figure_of(request.form.get(name, "")) for name in ("percent", "hours"))
    told = RenewalSchema().load(
        {
            "progress": percent / 100.0 if isinstance(percent, float) else percent,
            "lease_s": hours * 3600.0 if isinstance(hours, float) else hours,
        }
    )
    stores().claims.renew(claim_id, told.progress, told.lease_s)
    return see("pages.claim", claim_id=claim_id)


def give_back(claim_id: str) -> Response:
    claim = stores().claims.give_back(claim_id, request.form.get("reason", "").strip()[:500])
    return see("pages.machine", machine_id=claim.machine_id)


def finish(claim_id: str) -> Response | tuple[str, int]:
    """What is refused comes back beside its field. On to what was learnt, where something was."""
    claim = stores().claims.get(claim_id)
    names = size_names(stores().jobs.get(claim.job_id).spec)
    form = request.form.to_dict()
    body, rows = body_of(form, names)
    try:
        done: Finish = FinishSchema().load(body)
    except InvalidError as error:
        return _form(claim, form, problems_of(error.fields, rows)), HTTPStatus.UNPROCESSABLE_ENTITY
    report = Report(
        accepted=done.accepted,
        scrap_reason=done.scrap_reason,
        note=done.note,
        clogs=done.clogs,
        print_h=done.print_h,
        extruded_cm3=done.extruded_cm3,
        sizes=tuple((one.name, one.measured_mm) for one in done.sizes),
    )
    stores().claims.finish(claim_id, report, remake=done.remake)
    outcome = tasks.record_outcome(stores(), claim_id)
    if outcome is not None:
        return see("pages.outcome", outcome_id=outcome.id)
    return see("pages.machine", machine_id=claim.machine_id)


def size_names(spec: JobSpec) -> list[str]:
    return [*(one.name for one in spec.tolerances), *(one.name for one in spec.open_tolerances)]


def body_of(form: dict[str, str], names: list[str]) -> tuple[dict[str, Any], list[int]]:
    """The report in the words of the REST interface, and which of the form's sizes were filled in."""
    accepted = {"yes": True, "no": False}.get(form.get("accepted", ""))
    body: dict[str, Any] = {} if accepted is None else {"accepted": accepted}
    if accepted is False:
        body |= {"scrap_reason": form.get("scrap_reason") or None, "remake": form.get("remake") == "yes"}
    body |= {"note": form.get("note", "").strip(), "clogs": _whole(form.get("clogs", ""))}
    for name in ("print_h", "extruded_cm3"):
        body[name] = figure_of(form.get(name, ""))
    rows = [i for i in range(len(names)) if form.get(f"size-{i}", "").strip()]
    body["sizes"] = [{"name": names[i], "measured_mm": figure_of(form[f"size-{i}"])} for i in rows]
    return body, rows


def figure_of(text: str) -> float | str | None:
    """A figure as it was typed, with a decimal comma or point; None for nothing; what is none stays text."""
    text = text.strip()
    try:
        return float(text.replace(",", ".")) if text else None
    except ValueError:
        return text[:40]


def _whole(text: str) -> int | str:
    text = text.strip()
    return int(text) if text.isascii() and text.isdigit() and len(text) < 6 else text[:20] or 0


def problems_of(fields: tuple[FieldProblem, ...], rows: list[int]) -> list[tuple[str, str]]:
    """(id of the form's field, what is wrong), from pointers into the report."""
    return [(_field(one.pointer, rows), problem_words(one)) for one in fields]


def _field(pointer: str, rows: list[int]) -> str:
    first, _, rest = pointer.strip("/").partition("/")
    index = rest.partition("/")[0]
    if first == "sizes" and index.isdigit() and int(index) < len(rows):
        return f"size-{rows[int(index)]}"
    return first


def _form(claim: Claim, form: dict[str, str], problems: list[tuple[str, str]]) -> str:
    shop, record = context().shop.newest(), stores().jobs.get(claim.job_id)
    routing = stores().jobs.routing(claim.job_id)
    spec = with_part(record, routing).spec
    candidate = _candidate(claim)
    fits = {one.name: one for one in candidate.fits} if candidate else {}
    return page(
        "claim.html",
        "shop",
        claim=claim,
        held=claim.state is ClaimState.HELD,
        open=claim.state in (ClaimState.HELD, ClaimState.LAPSED),
        job=record,
        names=names_of(shop),
        candidate=candidate,
        sizes=[(name, fits.get(name)) for name in size_names(spec)],
        scrap=SCRAP_WORDS,
        labels=LABELS,
        form=form,
        problems=dict(reversed(problems)),
        last_event=stores().events.last_id(),
    )


def _candidate(claim: Claim) -> Candidate | None:
    """What was foretold of this print; None where the job was routed otherwise since."""
    try:
        routing = stores().jobs.routing(claim.job_id)
    except NotFoundError:
        return None
    printed = Printed(machine_id=claim.machine_id, nozzle_id=claim.nozzle_id, material_id=claim.material_id)
    return None if routing is None else candidate_printed(routing, printed)
