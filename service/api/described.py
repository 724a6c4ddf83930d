"""Answer schemas read from the model's dataclasses, so that a description cannot fall behind the model."""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping
from enum import StrEnum
from functools import cache
from typing import Any

import marshmallow as ma

from service.api.fields import Moment
from service.api.job_schema import JobSchema
from service.api.moments import is_moment
from workers.model.job import JobSpec, JobState
from workers.model.record import JobRecord
from workers.model.routing import Explanation, Routing


@cache
def schema_of(kind: type[Any]) -> type[ma.Schema]:
    """A schema that describes what codec.to_json makes of ``kind``: every field is there."""
    hints = typing.get_type_hints(kind)
    fields = {one.name: _field(one.name, hints[one.name]) for one in dataclasses.fields(kind)}
    return _closed(kind.__name__, fields)


def _closed(name: str, fields: Mapping[str, Any]) -> type[ma.Schema]:
    meta = type("Meta", (), {"unknown": ma.RAISE})
    return type(name, (ma.Schema,), {**fields, "Meta": meta})


def _field(name: str, hint: Any) -> ma.fields.Field[Any]:
    choices = typing.get_args(hint) if typing.get_origin(hint) in {typing.Union, types.UnionType} else (hint,)
    nullable = type(None) in choices
    kinds = [choice for choice in choices if choice is not type(None)]
    if len(kinds) == 1:
        return _plain_field(name, kinds[0], nullable)
    words = {float: "number", str: "string"}
    one_of = [{"type": words[kind]} for kind in kinds]
    return ma.fields.Raw(required=True, metadata={"anyOf": one_of})


# What reads back as it is handed in.
_WRITTEN: dict[type, type[ma.Schema]] = {JobSpec: JobSchema}


def reads_back(kind: type[Any], schema: type[ma.Schema]) -> None:
    """Describe ``kind``, wherever an answer holds it, by the schema that takes it in (said before the answer is)."""
    _WRITTEN[kind] = schema


_SIMPLE: Mapping[type, type[ma.fields.Field[Any]]] = {
    str: ma.fields.String,
    float: ma.fields.Float,
    int: ma.fields.Integer,
    bool: ma.fields.Boolean,
}


def _plain_field(name: str, kind: Any, nullable: bool) -> ma.fields.Field[Any]:
    options: dict[str, Any] = {"required": True, "allow_none": nullable}
    if kind is float and is_moment(name):
        return Moment(**options)
    if kind in _SIMPLE:
        return _SIMPLE[kind](**options)
    if typing.get_origin(kind) is tuple:
        return _array(name, typing.get_args(kind), options)
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return ma.fields.Enum(kind, by_value=True, **options)
    return ma.fields.Nested(_WRITTEN.get(kind) or schema_of(kind), **options)


def _array(name: str, kinds: tuple[Any, ...], options: dict[str, Any]) -> ma.fields.Field[Any]:
    """``tuple[X, ...]``, or a point of as many numbers as it has kinds."""
    if kinds[-1] is not Ellipsis:
        options["validate"] = ma.validate.Length(equal=len(kinds))
    return ma.fields.List(_plain_field(name, kinds[0], False), **options)


JobRecordSchema = schema_of(JobRecord)
RoutingSchema = schema_of(Routing)
ExplanationSchema = schema_of(Explanation)
RoutingAnswerSchema = _closed(
    "RoutingAnswer",
    {
        "routing": ma.fields.Nested(RoutingSchema, required=True),
        "explanation": ma.fields.Nested(ExplanationSchema, required=True),
    },
)


class JobBriefSchema(ma.Schema):
    """A job in a list: the record without its part."""

    class Meta:
        unknown = ma.RAISE

    id = ma.fields.String(required=True)
    name = ma.fields.String(required=True)
    state = ma.fields.Enum(JobState, by_value=True, required=True)
    reason = ma.fields.String(required=True)
    version = ma.fields.Integer(required=True)
    attempt = ma.fields.Integer(required=True)
    quantity = ma.fields.Integer(required=True)
    priority = ma.fields.Integer(required=True)
    due_at = Moment(required=True, allow_none=True)
    created_at = Moment(required=True)
    updated_at = Moment(required=True)


class JobReceiptSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    id = ma.fields.String(required=True)
    state = ma.fields.Enum(JobState, by_value=True, required=True)
    version = ma.fields.Integer(required=True)
    location = ma.fields.String(required=True, metadata={"format": "uri-reference"})
    part_id = ma.fields.String(metadata={"description": "Where the part is one of /v1/parts"})


class NotYetRoutedSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    job_id = ma.fields.String(required=True)
    state = ma.fields.Enum(JobState, by_value=True, required=True)
