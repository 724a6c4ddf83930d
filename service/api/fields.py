"""Fields of the intake: each describes itself for OpenAPI (as a marshmallow field) and takes values at speed.

``take(value)`` gives the checked value or raises :class:`Refused`. marshmallow's own per-element loading costs
microseconds a number; a job carries some 250 numbers, so arrays are checked as a whole here.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from enum import StrEnum
from math import isfinite
from operator import lt
from typing import Any

import marshmallow as ma

from service.api.moments import format_moment, parse_moment
from workers.model.errors import FieldProblem

# Control characters have no place in a name, nor has what ends a line or turns what stands beside it round (the
# explicit directional formatting characters of Unicode UAX #9, section 2); a note may hold tabs and line ends.
_UNSEEN = r"\x7f-\x9f\u2028-\u202e\u2066-\u2069"
LINE_PATTERN = rf"^[^\x00-\x1f{_UNSEEN}]*[^\x00-\x20{_UNSEEN}][^\x00-\x1f{_UNSEEN}]*$"
EMPTY_LINE_PATTERN = rf"^[^\x00-\x1f{_UNSEEN}]*$"
NOTE_PATTERN = rf"^[^\x00-\x08\x0b\x0c\x0e-\x1f{_UNSEEN}]*$"
ID_PATTERN = r"^[a-z0-9][a-z0-9-]{0,39}$"
PART_ID_PATTERN = r"^p-[a-z2-7]{52}$"
SHOWN = 40


class Refused(Exception):  # noqa: N818  it is a result, not a failure
    """What is wrong with a value; pointers are relative to it."""

    def __init__(self, problems: Sequence[FieldProblem]) -> None:
        super().__init__(f"{len(problems)} problems")
        self.problems = tuple(problems)

    def under(self, key: str | int) -> list[FieldProblem]:
        """The same problems, seen from what holds the value under ``key``."""
        prefix = pointer_token(key)
        return [FieldProblem(prefix + one.pointer, one.detail, one.allowed) for one in self.problems]


def refuse(detail: str, allowed: str | None = None, pointer: str = "") -> Refused:
    return Refused([FieldProblem(pointer, detail, allowed)])


def pointer_token(key: str | int) -> str:
    """One step of a JSON Pointer (RFC 6901 section 3)."""
    return "/" + str(key).replace("~", "~0").replace("/", "~1")


def shown(value: object) -> str:
    """A value in a sentence, cut where it is long."""
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= SHOWN else text[:SHOWN] + "..."


def range_words(low: float, high: float, unit: str) -> str:
    return f"{low:.12g} to {high:.12g} {unit}".rstrip()


def _described(keys: Mapping[str, Any], **more: Any) -> dict[str, Any]:
    """marshmallow's keyword arguments with description and example moved into its metadata."""
    options = dict(keys)
    metadata = {k: options.pop(k) for k in ("description", "example") if k in options}
    return {**options, "metadata": metadata | more}


class Number(ma.fields.Float):
    """A finite number in a closed range."""

    def __init__(self, low: float, high: float, unit: str = "", **options: Any) -> None:
        super().__init__(validate=ma.validate.Range(low, high), **_described(options))
        self.low, self.high, self.allowed = low, high, range_words(low, high, unit)

    def take(self, value: Any) -> float:
        kind = type(value)  # a bool is an int to isinstance
        if kind is not float and kind is not int:
            raise refuse(f"{shown(value)} is not a number", self.allowed)
        if not self.low <= value <= self.high:
            raise refuse(f"{shown(value)} is out of range", self.allowed)
        return float(value)


class Whole(ma.fields.Integer):
    """A whole number in a closed range; 3.0 is one too (JSON Schema 2020-12 section 6.1.1)."""

    def __init__(self, low: int, high: int, unit: str = "", **options: Any) -> None:
        super().__init__(validate=ma.validate.Range(low, high), **_described(options))
        self.low, self.high = low, high
        self.allowed = range_words(low, high, unit) + ", whole"

    def take(self, value: Any) -> int:
        kind = type(value)
        if (kind is not int and kind is not float) or (kind is float and not value.is_integer()):
            raise refuse(f"{shown(value)} is not a whole number", self.allowed)
        if not self.low <= value <= self.high:
            raise refuse(f"{shown(value)} is out of range", self.allowed)
        return int(value)


class Version(Whole):
    """The ETag's number; the service counts it."""

    def __init__(self) -> None:
        super().__init__(1, 2**53, description="Rises with every change: the ETag, without its quotes")
        self.metadata = {**self.metadata, "readOnly": True}


class Flag(ma.fields.Boolean):
    def __init__(self, **options: Any) -> None:
        super().__init__(**_described(options))

    def take(self, value: Any) -> bool:
        if value is True or value is False:
            return value
        raise refuse(f"{shown(value)} is neither true nor false", "true or false")


class Text(ma.fields.String):
    """One line of text, not blank, unless ``pattern`` says otherwise."""

    def __init__(self, longest: int = 120, pattern: str = LINE_PATTERN, words: str = "", **options: Any) -> None:
        shortest = 0 if re.fullmatch(pattern, "") else 1
        checks = [ma.validate.Length(min=shortest, max=longest), ma.validate.Regexp(pattern)]
        super().__init__(validate=checks, **_described(options))
        self.longest, self._match = longest, re.compile(pattern).fullmatch
        self.allowed = words or f"1 to {longest} characters on one line, not all blank"

    def take(self, value: Any) -> str:
        if type(value) is not str:
            raise refuse(f"{shown(value)} is not text", self.allowed)
        if len(value) > self.longest or not self._match(value):
            raise refuse(f"{shown(value)} is not allowed", self.allowed)
        return value


class Identifier(Text):
    def __init__(self, **options: Any) -> None:
        super().__init__(40, ID_PATTERN, "1 to 40 of a-z, 0-9 and -, not beginning with -", **options)


class PartId(Text):
    def __init__(self, **options: Any) -> None:
        super().__init__(54, PART_ID_PATTERN, "the id of a part: p- and 52 of a-z and 2-7", **options)


class Note(Text):
    def __init__(self, longest: int = 2000, **options: Any) -> None:
        super().__init__(longest, NOTE_PATTERN, f"up to {longest} characters of plain text", **options)


class Choice(ma.fields.Enum[StrEnum]):
    def __init__(self, kind: type[StrEnum], **options: Any) -> None:
        super().__init__(kind, by_value=True, **_described(options))
        self.members = {member.value: member for member in kind}
        self.allowed = ", ".join(self.members)

    def take(self, value: Any) -> StrEnum:
        member = self.members.get(value) if type(value) is str else None
        if member is None:
            raise refuse(f"{shown(value)} is not one of the choices", self.allowed)
        return member


class Moment(ma.fields.Field[float]):
    """RFC 3339 text outside, UTC epoch seconds inside."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**_described(options, type="string", format="date-time"))
        self.allowed = "RFC 3339 date and time with offset, years 2000 to 2100, as 2026-05-04T16:00:00Z"

    def take(self, value: Any) -> float:
        moment = parse_moment(value) if type(value) is str else None
        if moment is None:
            raise refuse(f"{shown(value)} is not a date and time", self.allowed)
        return moment

    def _serialize(self, value: float | None, attr: str | None, obj: Any, **kwargs: Any) -> str | None:
        return None if value is None else format_moment(value)


class Numbers(ma.fields.List[float]):
    """An array of numbers, each in a closed range, checked in one pass; ``rising``: strictly."""

    def __init__(
        self,
        low: float,
        high: float,
        unit: str = "",
        *,
        least: int = 1,
        most: int,
        rising: bool = False,
        **options: Any,
    ) -> None:
        inner = ma.fields.Float(validate=ma.validate.Range(low, high))
        super().__init__(inner, validate=ma.validate.Length(least, most), **_described(options))
        self.low, self.high, self.least, self.most, self.rising = low, high, least, most, rising
        self.allowed = range_words(low, high, unit)

    def take(self, value: Any) -> tuple[float, ...]:
        require_list(value, self.least, self.most)
        if not all_in_range(value, self.low, self.high):
            raise Refused(self._bad_elements(value))
        numbers = tuple(map(float, value))
        if self.rising and not all(map(lt, numbers, numbers[1:])):
            raise refuse("the numbers do not rise from each to the next", "rising numbers")
        return numbers

    def _bad_elements(self, value: list[Any]) -> list[FieldProblem]:
        element = Number(self.low, self.high)
        element.allowed = self.allowed
        return collect(value, element.take)


class Vector(Numbers):
    """Three numbers: a point in mm or a direction."""

    def __init__(self, low: float = -5000, high: float = 5000, unit: str = "mm", **options: Any) -> None:
        super().__init__(low, high, unit, least=3, most=3, **options)


class Wholes(ma.fields.List[int]):
    """An array of whole numbers in a closed range."""

    def __init__(self, low: int, high: int, *, least: int = 1, most: int, **options: Any) -> None:
        inner = ma.fields.Integer(validate=ma.validate.Range(low, high))
        super().__init__(inner, validate=ma.validate.Length(least, most), **_described(options))
        self._element, self.least, self.most = Whole(low, high), least, most

    def take(self, value: Any) -> tuple[int, ...]:
        require_list(value, self.least, self.most)
        low, high = self._element.low, self._element.high
        if _INT_ONLY.issuperset(map(type, value)) and (not value or (low <= min(value) and max(value) <= high)):
            return tuple(value)
        return take_each(value, self._element.take)


class ListOf(ma.fields.List[Any]):
    """An array of anything that takes values."""

    def __init__(self, inner: Any, *, least: int = 0, most: int, **options: Any) -> None:
        super().__init__(inner, validate=ma.validate.Length(least, most), **_described(options))
        self._inner, self.least, self.most = inner, least, most

    def take(self, value: Any) -> tuple[Any, ...]:
        require_list(value, self.least, self.most)
        return take_each(value, self._inner.take)


_NUMBER_TYPES = frozenset({int, float})
_INT_ONLY = frozenset({int})


def all_in_range(values: Sequence[Any], low: float, high: float) -> bool:
    """Whether all are numbers in the closed range. The sum finds a NaN, which min and max can pass over."""
    if not _NUMBER_TYPES.issuperset(map(type, values)):
        return False
    return not values or (low <= min(values) and max(values) <= high and isfinite(sum(values)))


def require_list(value: Any, least: int, most: int) -> None:
    """Raises Refused."""
    if type(value) is not list:
        raise refuse(f"{shown(value)} is not an array", f"an array of {least} to {most}")
    if not least <= len(value) <= most:
        raise refuse(f"the array has {len(value)} elements", f"{least} to {most} elements")


def take_each(values: Sequence[Any], take: Callable[[Any], Any]) -> tuple[Any, ...]:
    """All values taken; raises Refused with the problems of every one that is not."""
    try:
        return tuple(map(take, values))
    except Refused:
        raise Refused(collect(values, take)) from None


def collect(values: Sequence[Any], take: Callable[[Any], Any]) -> list[FieldProblem]:
    problems: list[FieldProblem] = []
    for index, value in enumerate(values):
        try:
            take(value)
        except Refused as refused:
            problems += refused.under(index)
    return problems
