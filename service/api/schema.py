"""Schemas of the intake: marshmallow for the description, one tight loop for the loading.

A schema names the frozen dataclass it makes (``makes``). Which fields must be given, which may be null and
what they are otherwise is read from that dataclass, so the model stays the one place that says so.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Callable
from functools import cache
from typing import Any, ClassVar, NamedTuple

import marshmallow as ma

from service.api.fields import Refused, pointer_token, refuse, shown
from workers.model.errors import FieldProblem, InvalidError


class RecordSchema(ma.Schema):
    """``take`` raises Refused with pointers relative to the record; ``load`` raises InvalidError."""

    class Meta:
        unknown = ma.RAISE

    makes: ClassVar[type[Any]] = dict
    optional: ClassVar[frozenset[str]] = frozenset()  # may be left out though the dataclass wants them

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        fields: dict[str, Any] = self.fields
        self._takes: dict[str, Callable[[Any], Any]] = {name: field.take for name, field in fields.items()}
        self._needed = frozenset(name for name, field in fields.items() if field.required)

    def on_bind_field(self, field_name: str, field_obj: ma.fields.Field[Any]) -> None:
        """Take need, null and default from the dataclass."""
        facts = _facts(self.makes).get(field_name)  # type: ignore[arg-type]
        if facts is None:
            return
        field_obj.required = facts.needed and field_name not in self.optional
        field_obj.allow_none = facts.nullable
        if not facts.needed and "readOnly" not in field_obj.metadata:
            field_obj.load_default = facts.default

    def load(self, data: Any, **_: Any) -> Any:
        try:
            return self.take(data)
        except Refused as refused:
            raise InvalidError(summary_of(refused), fields=refused.problems) from None

    def take(self, data: Any) -> Any:
        if type(data) is not dict:
            raise refuse(f"{shown(data)} is not an object", "an object")
        values, problems = self._take_fields(data)
        if not self._needed <= data.keys():
            problems += [FieldProblem(f"/{name}", "this is missing") for name in self._takes if self._lacks(name, data)]
        if problems:
            raise Refused(problems)
        return self.build(values)

    def build(self, values: dict[str, Any]) -> Any:
        """The record from checked values; rules across fields are checked here. Raises Refused."""
        record = self.makes(**values)
        if problems := self.rules(record):
            raise Refused(problems)
        return record

    def rules(self, record: Any) -> list[FieldProblem]:
        """What is wrong across fields, pointers relative to the record."""
        return []

    def _take_fields(self, data: dict[str, Any]) -> tuple[dict[str, Any], list[FieldProblem]]:
        values: dict[str, Any] = {}
        problems: list[FieldProblem] = []
        takes = self._takes
        for key, value in data.items():
            take = takes.get(key)
            if take is None or value is None:
                problems += self._take_null(key, values) if take is not None else self._unknown(key)
                continue
            try:
                values[key] = take(value)
            except Refused as refused:
                problems += refused.under(key)
        return values, problems

    def _lacks(self, name: str, data: dict[str, Any]) -> bool:
        return name in self._needed and name not in data

    def _take_null(self, key: str, values: dict[str, Any]) -> list[FieldProblem]:
        if not self.fields[key].allow_none:
            return [FieldProblem(pointer_token(key), "this must not be null")]
        values[key] = None
        return []

    def _unknown(self, key: str) -> list[FieldProblem]:
        return [FieldProblem(pointer_token(key[:120]), "there is no such field here", ", ".join(self._takes))]


class Record(ma.fields.Nested):
    """A nested record."""

    def __init__(self, schema: type[RecordSchema], **options: Any) -> None:
        metadata: dict[str, Any] = {k: options.pop(k) for k in ("description", "example") if k in options}
        super().__init__(schema, metadata=metadata, **options)
        self.take = schema().take


def summary_of(refused: Refused) -> str:
    """One sentence: the first problem and how many there are."""
    first, count = refused.problems[0], len(refused.problems)
    more = "" if count == 1 else f" (and {count - 1} more)"
    return f"{first.pointer or 'the body'}: {first.detail}{more}"


class Facts(NamedTuple):
    needed: bool
    nullable: bool
    default: Any


@cache
def _facts(kind: Any) -> dict[str, Facts]:
    """What a dataclass says of its fields."""
    if not dataclasses.is_dataclass(kind):
        return {}
    hints = typing.get_type_hints(kind)
    return {field.name: _facts_of(field, hints[field.name]) for field in dataclasses.fields(kind)}


def _facts_of(field: dataclasses.Field[Any], hint: Any) -> Facts:
    default = field.default
    if default is dataclasses.MISSING and field.default_factory is not dataclasses.MISSING:
        default = field.default_factory()
    return Facts(default is dataclasses.MISSING, _is_nullable(hint), default)


def _is_nullable(hint: Any) -> bool:
    is_union = typing.get_origin(hint) in {typing.Union, types.UnionType}
    return is_union and type(None) in typing.get_args(hint)
