"""Work that takes seconds to minutes beside everything else: asked for, followed, cancelled, looked at afterwards."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class TaskState(StrEnum):
    """waiting -> running -> done | failed | cancelled; a running one whose worker died is begun again."""

    WAITING = "waiting"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    CANCELLED = "cancelled"  # what was found by then is kept


ENDED = frozenset({TaskState.DONE, TaskState.FAILED, TaskState.CANCELLED})


@dataclass(frozen=True, slots=True, kw_only=True)
class LongTask:
    """kind: plan, study ...; request and result are JSON text, for the kind to read.

    seconds: the time limit. percent, figures: how far it is, as last told. cancelling: a cancel is asked for and not
    yet seen. attempt: how often it was begun. reason: why it failed. applied_at: when the result was put into force.
    version rises with every change (the ETag).
    """

    id: str
    kind: str
    state: TaskState
    version: int
    request: str
    seconds: float
    created_at: float
    updated_at: float
    percent: float = 0.0
    figures: Mapping[str, float] = field(default_factory=dict)
    cancelling: bool = False
    attempt: int = 0
    reason: str = ""
    started_at: float | None = None
    ended_at: float | None = None
    applied_at: float | None = None
    result: str | None = None

    @property
    def subject(self) -> str:
        """What events and histories call it."""
        return subject_of(self.kind, self.id)


def subject_of(kind: str, task_id: str) -> str:
    return f"{kind}/{task_id}"
