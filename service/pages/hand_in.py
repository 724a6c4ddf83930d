"""The page where a part is handed in: by typing what is known of it, or by giving its mesh."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from flask import Blueprint, redirect, request, url_for
from werkzeug.exceptions import RequestEntityTooLarge
from werkzeug.wrappers import Response

from service.api.intake import material_ids, require_known_materials, ring_geometry
from service.api.job_schema import JobSchema
from service.api.part_upload import FIELDS_BYTES, Unit, read_upload
from service.context import context, stores
from service.pages import guard, intake
from service.pages.accepting import accept_once
from service.pages.rendering import page
from workers.geometry.limits import MIB
from workers.model.errors import InvalidError
from workers.model.job import JobSpec
from workers.model.part_record import WAITING, Orientation

MESH_ENDPOINT = "pages.hand_in_mesh"
UNIT_WORDS: Mapping[Unit, str] = {
    Unit.MM: "millimetres",
    Unit.CM: "centimetres",
    Unit.M: "metres",
    Unit.INCH: "inches",
    Unit.FOOT: "feet",
    Unit.MICRON: "micrometres",
}
ORIENTATION_WORDS: Mapping[Orientation, str] = {
    Orientation.AS_GIVEN: "as in the file, z up",
    Orientation.BEST: "let the shop compare the ways it can stand",
}


def add_to(blueprint: Blueprint) -> None:
    """Add the views, and what becomes of a file that is too large, to the pages."""
    blueprint.add_url_rule("/hand-in", "hand_in", show)
    blueprint.add_url_rule("/hand-in", "hand_in_post", take_in, methods=["POST"])
    blueprint.add_url_rule("/hand-in/mesh", "hand_in_mesh", take_mesh, methods=["POST"])
    blueprint.register_error_handler(RequestEntityTooLarge, show_too_large)


def show() -> str:
    return _form({}, [], [])


def take_in() -> Response | tuple[str, int]:
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
    return see_job(accept_once(spec, form.get("once", ""), body))


def make_room_for_mesh() -> None:
    """Called before the form is read: a mesh may be larger than what other forms may send."""
    if request.endpoint == MESH_ENDPOINT:
        request.max_content_length = context().settings.upload_limit_bytes + FIELDS_BYTES
        request.max_form_memory_size = FIELDS_BYTES


def take_mesh() -> Response | tuple[str, int]:
    """Keep the mesh; its own page follows the analysis. The same bytes again lead to the same page."""
    file = request.files.get("file")
    if file is not None and not file.filename:
        return _refused("Choose a mesh file first.", HTTPStatus.UNPROCESSABLE_ENTITY)
    try:
        upload = read_upload(guard.FIELD)
    except InvalidError as error:
        return _refused(error.fields[0].detail if error.fields else error.detail, error.status)
    part = stores().parts.put(upload)
    if part.state in WAITING:
        ring_geometry()
    return redirect(url_for("pages.part", part_id=part.id), HTTPStatus.SEE_OTHER)


def show_too_large(error: RequestEntityTooLarge) -> tuple[str, int]:
    limit = context().settings.upload_limit_bytes
    if request.endpoint == MESH_ENDPOINT:
        return _refused(f"The file has more than {limit / MIB:g} MiB, the limit.", 413)
    return page("problem.html", "", title="Too large", detail=error.description), 413


def see_job(job_id: str) -> Response:
    return redirect(url_for("pages.job", job_id=job_id), HTTPStatus.SEE_OTHER)


def order_choices() -> dict[str, Any]:
    """What every form for a job offers."""
    return {
        "materials": context().shop.newest().materials,
        "emphases": [(key, words) for key, (words, _) in intake.EMPHASES.items()],
        "uses": intake.USES,
    }


def mesh_choices() -> dict[str, Any]:
    """What the form for a mesh offers."""
    return {
        "units": [(unit.value, words) for unit, words in UNIT_WORDS.items()],
        "orientations": [(one.value, words) for one, words in ORIENTATION_WORDS.items()],
        "upload_limit_bytes": context().settings.upload_limit_bytes,
    }


def beside(problems: list[intake.Problem]) -> dict[str, list[str]]:
    """What is said beside each field."""
    said: dict[str, list[str]] = {}
    for one in problems:
        said.setdefault(one.field, []).append(one.detail)
    return said


def new_once(form: Mapping[str, str]) -> str:
    return form.get("once") or secrets.token_urlsafe(18)


def _refused(detail: str, status: int) -> tuple[str, int]:
    return _form({}, [], [], mesh_problem=detail), status


def _form(form: Mapping[str, str], ticked: list[str], problems: list[intake.Problem], *, mesh_problem: str = "") -> str:
    said = beside(problems)
    return page(
        "hand_in.html",
        "hand_in",
        form=form,
        ticked=ticked,
        problems=said,
        mesh_problem=mesh_problem,
        labels=intake.LABELS,
        kinds=intake.KINDS,
        details=intake.DETAILS,
        tolerance_rows=intake.TOLERANCES,
        rows_used=intake.rows_to_show(form, said),
        once=new_once(form),
        **order_choices(),
        **mesh_choices(),
    )
