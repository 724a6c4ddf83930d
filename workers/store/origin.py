"""Which request this thread is at work for: carried with what it hands in, so that the workers can name it too."""

from __future__ import annotations

from collections.abc import Mapping
from contextvars import ContextVar
from typing import Any

_request: ContextVar[str] = ContextVar("request_id", default="")


def at_work_for(request_id: str) -> None:
    """request_id: "" for none."""
    _request.set(request_id)


def request_id() -> str:
    return _request.get()


def with_origin(data: Mapping[str, Any], origin: str | None = None) -> dict[str, Any]:
    """The data of an event, with the request that it goes back to (None: this thread's) where there is one."""
    named = request_id() if origin is None else origin
    return {**data, "request_id": named} if named else dict(data)
