"""Where a job stands on the floor just now: on whose list, at which place, and when it is expected to be done."""

from __future__ import annotations

from dataclasses import dataclass

from service.context import stores
from service.pages.bench_view import BenchView, Until, bench_view
from service.pages.names import names_of
from workers.model.fleet import Machine
from workers.model.job import JobState
from workers.model.record import JobRecord
from workers.model.shop import Shop
from workers.store.heads import heads

LISTED = frozenset({JobState.BOUND, JobState.PRINTING})
READ = 200  # jobs of the list that are read; behind these a time would say little


@dataclass(frozen=True, slots=True)
class JobPlace:
    """position: on the list, from 1, None where no copy waits or it is far behind; finish: of all its copies."""

    machine: Machine
    position: int | None
    finish: Until | None


def place_of(record: JobRecord, shop: Shop, now: float) -> JobPlace | None:
    """None for a job that is on no list, or on that of a machine that has left the shop."""
    machine_id = stores().dispatch.machine_of(record.id) if record.state in LISTED else None
    machine = next((one for one in shop.machines if one.id == machine_id), None)
    if machine is None:
        return None
    head = heads(stores().client, stores().keys, [machine.id], READ)[machine.id]
    return found_on(bench_view(shop, machine, head, names_of(shop), now, READ), record.id)


def found_on(bench: BenchView, job_id: str) -> JobPlace:
    """The job's place on a machine that was looked at."""
    waits = next((one for one in bench.waiting if one.listed.entry.job_id == job_id), None)
    if waits is not None:
        return JobPlace(bench.machine, waits.position, waits.finish)
    prints = bench.printing if bench.printing and bench.printing.claim.job_id == job_id else None
    return JobPlace(bench.machine, None, prints.until if prints else None)
