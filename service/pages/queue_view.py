"""The queue page's rows. Pure; no HTTP, no Redis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from workers.model.record import JobRecord
from workers.model.routing import Candidate, Routing


@dataclass(frozen=True, slots=True)
class Row:
    """One job; ``chosen`` is where it goes, as far as that is known."""

    record: JobRecord
    chosen: Candidate | None


def queue_rows(records: Sequence[JobRecord], routings: Mapping[str, Routing]) -> tuple[Row, ...]:
    """``routings``: by job id, of the jobs that have one."""
    return tuple(Row(record, routing.chosen if (routing := routings.get(record.id)) else None) for record in records)
