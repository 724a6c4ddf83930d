"""Reading a mesh from a multipart/form-data body (RFC 7578), and what is asked of it."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from flask import request
from werkzeug.datastructures import FileStorage

from service.api.fields import Choice, Refused, refuse
from service.api.schema import RecordSchema, summary_of
from service.context import context
from service.pages.guard import require_own_origin
from workers.geometry.errors import MeshRefusedError, MeshTooLargeError
from workers.geometry.limits import MIB
from workers.model.errors import FieldProblem, InvalidError
from workers.model.part_record import MeshOptions, Orientation
from workers.store.uploads import Upload

MULTIPART = "multipart/form-data"
FIELDS_BYTES = MIB  # all that is not the file
ZIP_MAGIC = b"PK"  # a 3MF is a ZIP package (ISO/IEC 29500-2) and carries its unit
NAME_LENGTH = 120


class Unit(StrEnum):
    """What one unit of the file's numbers is."""

    MM = "mm"
    CM = "cm"
    M = "m"
    INCH = "inch"
    FOOT = "foot"
    MICRON = "micron"


class MeshFormat(StrEnum):
    STL = "stl"
    THREE_MF = "3mf"
    OBJ = "obj"
    PLY = "ply"
    OFF = "off"


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenOptions:
    unit: Unit | None = None
    format: MeshFormat | None = None
    orientation: Orientation = Orientation.AS_GIVEN


class OptionsSchema(RecordSchema):
    """How the mesh is to be read: form fields beside the file."""

    makes = GivenOptions
    unit = Choice(Unit, description="What one unit of the file is; needed unless it is 3MF, which says so itself")
    format = Choice(MeshFormat, description="Left out: by the file's content. Given: content that denies it is refused")
    orientation = Choice(Orientation, description="as-given: z of the file is up. best: stable poses are compared")


# A tetrahedron of 10 mm as OFF: a mesh short enough to read.
TETRAHEDRON = "OFF\n4 4 6\n0 0 0\n10 0 0\n0 10 0\n0 0 10\n3 0 2 1\n3 0 1 3\n3 1 2 3\n3 2 0 3\n"
FILE: dict[str, Any] = {
    "type": "string",
    "format": "binary",
    "contentMediaType": "application/octet-stream",
    "description": "The mesh: STL (binary or ASCII), 3MF, OBJ, PLY or OFF, up to the service's upload limit (64 MiB)",
}


def multipart_content(job: Any = None, job_example: Any = None) -> dict[str, Any]:
    """Describes the body in OpenAPI; ``job``: the schema of a job that goes with the mesh."""
    options: dict[str, Any] = {
        name: {"type": "string", "enum": list(field.members), "description": field.metadata["description"]}
        for name, field in OptionsSchema().fields.items()
        if isinstance(field, Choice)
    }
    properties, required = {"file": FILE, **options}, ["file"]
    content: dict[str, Any] = {"example": {"file": TETRAHEDRON, "unit": "mm", "orientation": "best"}}
    if job is not None:
        properties, required = properties | {"job": job}, ["file", "job"]
        content["example"]["job"] = job_example
        content["encoding"] = {"job": {"contentType": "application/json"}}
    schema = {"type": "object", "properties": properties, "required": required, "additionalProperties": False}
    return {MULTIPART: {"schema": schema, **content}}


def read_upload(*others: str) -> Upload:
    """The mesh of this request. ``others``: fields that the caller reads itself.

    Nothing of the file is looked into here but its size and whether it is a ZIP: that is the workers' part.
    Raises InvalidError, MeshTooLargeError, ForeignFormError, or werkzeug's RequestEntityTooLarge.
    """
    limit = context().settings.upload_limit_bytes
    request.max_content_length = limit + FIELDS_BYTES
    request.max_form_memory_size = FIELDS_BYTES
    require_own_origin(request)  # a form needs no leave of the browser to be sent to another site
    file = _file(others)
    stream = file.stream  # a spool that goes to a file on disk past half a MB
    _require_size(stream.seek(0, os.SEEK_END), limit)
    stream.seek(0)
    return Upload.of(stream, _options(stream.read(len(ZIP_MAGIC)), others), _name(file.filename or ""))


def text_of(field: str) -> str | None:
    """A field that may have come as text or as a small file."""
    if (file := request.files.get(field)) is not None:
        return file.stream.read(FIELDS_BYTES).decode("utf-8", "replace")
    return request.form.get(field)


def _file(others: tuple[str, ...]) -> FileStorage:
    known = ("file", *OptionsSchema().fields, *others)
    problems = [
        FieldProblem(f"/{name[:120]}", "there is no such field here", ", ".join(known))
        for name in {*request.form, *request.files}
        if name not in known
    ]
    files = request.files.getlist("file")
    if len(files) != 1:
        found = "this is missing" if not files else f"there are {len(files)} of them"
        problems.append(FieldProblem("/file", found, "one mesh file, sent as a file (with a file name)"))
    if problems:
        raise InvalidError(summary_of(Refused(problems)), fields=tuple(problems))
    return files[0]


def _require_size(size: int, limit: int) -> None:
    if not size:
        detail = "The file is empty."
        raise MeshRefusedError(detail, fields=(FieldProblem("/file", detail, f"1 byte to {limit / MIB:g} MiB"),))
    if size > limit:
        detail = f"The file has more than {limit / MIB:g} MiB, the limit."
        raise MeshTooLargeError(detail, fields=(FieldProblem("/file", detail, f"up to {limit:,} bytes"),))


def _options(head: bytes, others: tuple[str, ...]) -> MeshOptions:
    given = {name: value for name, value in request.form.items() if name not in others}
    options: GivenOptions = OptionsSchema().load(given)
    carries_unit = head.startswith(ZIP_MAGIC) or options.format is MeshFormat.THREE_MF
    if options.unit is None and not carries_unit:
        problem = FieldProblem("/unit", "this is missing, and only 3MF carries its own", ", ".join(Unit))
        raise InvalidError(summary_of(refuse(problem.detail, problem.allowed, problem.pointer)), fields=(problem,))
    return MeshOptions(
        unit=None if carries_unit or options.unit is None else options.unit.value,
        fmt=None if options.format is None else options.format.value,
        orientation=options.orientation,
    )


def _name(given: str) -> str:
    """The file's own name without its folders and without what does not print."""
    name = re.split(r"[/\\]", given)[-1]
    return "".join(one for one in name if one.isprintable())[:NAME_LENGTH].strip()
