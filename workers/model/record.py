"""What the store keeps about a job besides the job itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from workers.model.job import JobSpec, JobState

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRecord:
    """attempt counts from 1 and rises with each retry; version rises with every change (the ETag).

    request_id: of the request that handed it in; empty where none did.
    """

    id: str
    spec: JobSpec
    state: JobState
    version: int
    attempt: int
    created_at: float
    updated_at: float
    reason: str = ""
    request_id: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryEntry:
    at: float
    kind: str
    data: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """id is the position in the event stream; subject is ``job/ID``, ``machine/ID`` ..."""

    id: str
    at: float
    kind: str
    subject: str
    data: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Page(Generic[T]):
    """One page and the cursor of the next (None: this was the last)."""

    items: tuple[T, ...]
    next_cursor: str | None
