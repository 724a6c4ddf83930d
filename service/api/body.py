"""Reading request bodies: media type, size, JSON."""

from __future__ import annotations

from functools import cache
from typing import Any

import msgspec
from flask import request
from webargs.flaskparser import FlaskParser

from service.api.fields import Whole
from service.api.schema import RecordSchema
from service.problems import EncodedError, InvalidParametersError, MalformedError, UnsupportedMediaTypeError
from workers.model.errors import InvalidError

_DECODER = msgspec.json.Decoder()


def require_plain() -> None:
    """Raises EncodedError for a body that is compressed, whose size says nothing. A before_request function."""
    encoding = request.headers.get("Content-Encoding", "").strip().lower()
    if encoding not in {"", "identity"}:
        raise EncodedError(f"the Content-Encoding is {encoding[:100]!r}; bodies are taken as they are")


def raw_json() -> bytes:
    """The body's bytes. Raises UnsupportedMediaTypeError, or werkzeug's RequestEntityTooLarge."""
    if not request.is_json:
        given = request.mimetype or "none"
        raise UnsupportedMediaTypeError(f"the Content-Type is {given}; application/json is taken here")
    return request.get_data(cache=True)


def decode(raw: bytes) -> Any:
    """Plain data. Raises MalformedError; NaN and Infinity are no JSON (RFC 8259 section 6)."""
    try:
        return _DECODER.decode(raw)
    except RecursionError:
        raise MalformedError("the JSON is nested too deeply") from None
    except UnicodeDecodeError as error:
        raise MalformedError(f"the body is not UTF-8: byte {error.start} cannot be read") from None
    except (msgspec.DecodeError, msgspec.ValidationError) as error:
        raise MalformedError(f"the body is not JSON: {error}") from None


class RimParser(FlaskParser):
    """Hands bodies and query strings to our schemas; flask-smorest documents them as ever."""

    def parse(self, argmap: Any, req: Any = None, *, location: str | None = None, **_: Any) -> Any:
        schema = _made(argmap) if isinstance(argmap, type) else argmap
        if location == "query":
            return _from_query(schema)
        return schema.load(decode(raw_json()))


@cache
def _made(schema: type[RecordSchema]) -> RecordSchema:
    """One instance a class: making it costs more than loading a job."""
    return schema()


def _from_query(schema: RecordSchema) -> Any:
    """Raises InvalidParametersError."""
    try:
        return schema.load({name: _plain(value, schema.fields.get(name)) for name, value in request.args.items()})
    except InvalidError as error:
        raise InvalidParametersError(error.detail.removeprefix("/"), fields=error.fields) from None


def _plain(text: str, field: Any) -> str | int:
    """Query values are text; where a whole number is wanted, figures are read as one."""
    wants_number = isinstance(field, Whole) and text.isascii() and text.isdigit() and len(text) <= 9
    return int(text) if wants_number else text
