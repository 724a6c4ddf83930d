"""The page of one part: how far its analysis is, what came of it, and the form that hands in a job on it."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus

from flask import Blueprint, request
from werkzeug.wrappers import Response

from service.api.intake import material_ids, require_known_materials
from service.api.job_schema import JobSchema
from service.api.part_jobs import require_part
from service.context import context, stores
from service.pages import intake, part_form
from service.pages.accepting import accept_once
from service.pages.hand_in import beside, mesh_choices, new_once, order_choices, see_job
from service.pages.rendering import page
from workers.model.errors import ConflictError, InvalidError
from workers.model.job import JobSpec
from workers.model.part import GeometrySummary, Trust
from workers.model.part_record import WAITING, PartRecord

PHASE_WORDS: Mapping[str, str] = {
    "waiting": "waiting for a worker",
    "begun": "a worker has it",
    "load": "reading the triangles",
    "mend": "looking for gaps and mending them",
    "sections": "cutting it into layers",
    "curves": "finding what each bead width would lose",
    "features": "looking for holes, bosses and slots",
    "surface": "measuring slopes and overhangs",
    "done": "done",
}
TRUST_WORDS: Mapping[Trust, str] = {
    Trust.FULL: "",
    Trust.MENDED: "The mesh had faults and was mended; look whether it is still the part that you mean.",
    Trust.LOW: "The mesh is not sound: some figures are estimates. Measure a print before you rely on a fit.",
}


def add_to(blueprint: Blueprint) -> None:
    blueprint.add_url_rule("/hand-in/parts/<part_id>", "part", show)
    blueprint.add_url_rule("/hand-in/parts/<part_id>", "part_post", take_in, methods=["POST"])


def show(part_id: str) -> str:
    part = stores().parts.get(part_id)
    summary = part.summary()
    if summary is None:
        return _unready(part)
    return _form(part, summary, {"name": part.name.rpartition(".")[0] or part.name}, [], [])


def take_in(part_id: str) -> Response | tuple[str, int]:
    """A job on the part, by the same schema as the REST interface's."""
    form, ticked = request.form.to_dict(), request.form.getlist("material.material_ids")
    part = stores().parts.get(part_id)
    summary = part.summary()
    if summary is None:
        raise ConflictError(f"the part is {part.state}: nothing can be handed in on it")
    body = part_form.body_of(form, ticked, part_id, summary)
    try:
        spec: JobSpec = JobSchema().load(body)
        require_known_materials(spec, material_ids(context().shop.newest()))
        require_part(spec)
    except InvalidError as error:
        problems = part_form.problems_of(error.fields, form, summary)
        return _form(part, summary, form, ticked, problems), HTTPStatus.UNPROCESSABLE_ENTITY
    return see_job(accept_once(spec, form.get("once", ""), body))


def _unready(part: PartRecord) -> str:
    """While it is analysed, and where it was refused."""
    return page(
        "part_unready.html",
        "hand_in",
        part=part,
        waiting=part.state in WAITING,
        phases=PHASE_WORDS,
        mesh_problem=part.problem.detail if part.problem else "",
        **mesh_choices(),
    )


def _form(
    part: PartRecord,
    summary: GeometrySummary,
    form: Mapping[str, str],
    ticked: list[str],
    problems: list[intake.Problem],
) -> str:
    rows = part_form.feature_rows(summary)
    said = beside(problems)
    return page(
        "part.html",
        "hand_in",
        part=part,
        summary=summary,
        rows=rows,
        rows_left=len(summary.features) - len(rows),
        rows_open=[
            i
            for i in range(len(rows))
            if i in part_form.filled_rows(form, summary) or any(name.startswith(f"tolerances.{i}.") for name in said)
        ],
        known_details=part_form.known_details(summary),
        doubt=TRUST_WORDS[summary.trust],
        form=form,
        ticked=ticked,
        problems=said,
        labels=part_form.labels_of(rows),
        once=new_once(form),
        **order_choices(),
    )
