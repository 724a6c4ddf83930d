"""Frozen data to JSON bytes and back, for the store. Input is trusted: the rim has checked it already."""

from __future__ import annotations

from typing import TypeVar

import msgspec

T = TypeVar("T")
_ENCODER = msgspec.json.Encoder(order="deterministic")
_DECODERS: dict[type, msgspec.json.Decoder[object]] = {}


def to_json(value: object) -> bytes:
    """JSON bytes of a dataclass (or plain data), the same bytes for the same value."""
    return _ENCODER.encode(value)


def from_json(raw: bytes | str, kind: type[T]) -> T:
    """A ``kind`` from JSON bytes. Raises msgspec.DecodeError or ValidationError on foreign bytes."""
    decoder = _DECODERS.get(kind)
    if decoder is None:
        decoder = _DECODERS[kind] = msgspec.json.Decoder(kind)
    return decoder.decode(raw)  # type: ignore[return-value]


def to_plain(value: object) -> dict[str, object]:
    """A dataclass as plain dicts, lists, numbers and strings."""
    return msgspec.to_builtins(value)  # type: ignore[no-any-return]


def from_plain(value: object, kind: type[T]) -> T:
    """A ``kind`` from plain data."""
    return msgspec.convert(value, kind)
