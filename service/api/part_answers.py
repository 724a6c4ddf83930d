"""How parts look from outside."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.api.fields import Moment
from service.api.moments import format_moment
from service.api.part_schema import SummarySchema
from service.api.part_upload import MeshFormat, Unit
from service.problems import ProblemSchema
from workers.model.codec import to_plain
from workers.model.errors import PROBLEM_BASE
from workers.model.part_record import Orientation, PartProblem, PartRecord, PartState


class MeshSourceSchema(ma.Schema):
    """The file that the part was read from."""

    class Meta:
        unknown = ma.RAISE

    size_bytes = ma.fields.Integer(required=True, metadata={"minimum": 1})
    unit = ma.fields.Enum(
        Unit, by_value=True, required=True, allow_none=True, metadata={"description": "null: the file carries its own"}
    )
    format = ma.fields.Enum(
        MeshFormat, by_value=True, required=True, allow_none=True, metadata={"description": "null: by the content"}
    )
    orientation = ma.fields.Enum(Orientation, by_value=True, required=True)


class PartBriefSchema(ma.Schema):
    """A part without its summary."""

    class Meta:
        unknown = ma.RAISE

    id = ma.fields.String(required=True, metadata={"description": "The address of the content: SHA-256 in base 32"})
    name = ma.fields.String(required=True, metadata={"description": "As it was first handed in; may be empty"})
    state = ma.fields.Enum(PartState, by_value=True, required=True)
    version = ma.fields.Integer(required=True)
    location = ma.fields.String(required=True, metadata={"format": "uri-reference"})
    source = ma.fields.Nested(
        MeshSourceSchema, required=True, allow_none=True, metadata={"description": "null: a summary posted by hand"}
    )
    phase = ma.fields.String(
        required=True,
        metadata={"description": "waiting, begun, load, mend, sections, curves, features, surface or done"},
    )
    percent = ma.fields.Float(required=True, metadata={"minimum": 0, "maximum": 100, "description": "Of this attempt"})
    attempt = ma.fields.Integer(required=True, metadata={"minimum": 0})
    problem = ma.fields.Nested(
        ProblemSchema, required=True, allow_none=True, metadata={"description": "Why the mesh was refused"}
    )
    created_at = Moment(required=True)
    updated_at = Moment(required=True)


class PartPoseSchema(ma.Schema):
    """The part in another stable resting pose."""

    class Meta:
        unknown = ma.RAISE

    name = ma.fields.String(required=True, metadata={"example": "pose-1"})
    rotation = ma.fields.List(
        ma.fields.List(ma.fields.Float(), validate=ma.validate.Length(equal=3)),
        required=True,
        validate=ma.validate.Length(equal=3),
        metadata={"description": "Rows of the matrix that turns the file's coordinates into the pose"},
    )
    summary = ma.fields.Nested(SummarySchema, required=True)


class PartSchema(PartBriefSchema):
    """A part. summary is null until it is analysed, and when it is refused; other_poses: with orientation best."""

    summary = ma.fields.Nested(SummarySchema, required=True, allow_none=True)
    other_poses = ma.fields.List(ma.fields.Nested(PartPoseSchema), required=True)


def part_location(part_id: str) -> str:
    return f"/v1/parts/{part_id}"


def part_brief(part: PartRecord) -> dict[str, Any]:
    return {
        "id": part.id,
        "name": part.name,
        "state": part.state.value,
        "version": part.version,
        "location": part_location(part.id),
        "source": _source(part),
        "phase": part.phase,
        "percent": part.percent,
        "attempt": part.attempt,
        "problem": None if part.problem is None else _problem(part.problem, part_location(part.id)),
        "created_at": format_moment(part.created_at),
        "updated_at": format_moment(part.updated_at),
    }


def part_whole(part: PartRecord) -> dict[str, Any]:
    poses = [
        {"name": one.name, "rotation": one.rotation, "summary": to_plain(one.summary)}  # no moments in there
        for one in part.poses
    ]
    return part_brief(part) | {"summary": poses[0]["summary"] if poses else None, "other_poses": poses[1:]}


def _source(part: PartRecord) -> dict[str, Any] | None:
    options = part.options
    if options is None:
        return None
    return {
        "size_bytes": part.size_bytes,
        "unit": options.unit,
        "format": options.fmt,
        "orientation": options.orientation.value,
    }


def _problem(problem: PartProblem, instance: str) -> dict[str, Any]:
    return {
        "type": PROBLEM_BASE + problem.slug,
        "title": problem.title,
        "status": problem.status,
        "detail": problem.detail,
        "instance": instance,
    }
