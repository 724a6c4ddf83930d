"""Coverage of the shop as it is now. Its cost is bounded: see the limits below; what was left out is said."""

from __future__ import annotations

import time
from collections.abc import Sequence
from itertools import islice

from workers.geometry import gauge_piece
from workers.learning.ageing import hour_of
from workers.model.job import JobSpec, JobState, MaterialNeed, PlaceNeed
from workers.model.shop import Shop
from workers.planning.coverage import (
    Coverage,
    CoverageCell,
    Errand,
    cells_of,
    demand_of,
    errand,
    key_of,
    ranked,
    worth_of,
)
from workers.routing.decide import Router
from workers.routing.information import value_of_information
from workers.store.stores import Stores
from workers.tasks.posed import PosedJob, posed_jobs

JOBS_LOOKED_AT = 24  # evenly over the lists: some 10 ms of work each
OUTCOMES_READ = 1000  # the newest


def coverage_now(stores: Stores, shop: Shop) -> Coverage:
    """Demand is of all dispatch lists and the newest outcomes; what measuring is worth, of an even sample of jobs."""
    now = hour_of(time.time()) or 0.0
    lists = [stores.dispatch.get(machine.id) for machine in shop.machines]
    past = list(islice(stores.outcomes.newest_first(), OUTCOMES_READ))
    cells = cells_of(shop, demand_of(lists, past), now)
    waiting = [listed.entry.job_id for one in lists for listed in one.listed if listed.waiting > 0]
    specs = _specs(stores, _sample(waiting))
    done = [job.id for job in stores.jobs.page(JobState.DONE, limit=JOBS_LOOKED_AT - len(specs) + 1).items]
    done_specs = _specs(stores, done[: JOBS_LOOKED_AT - len(specs)])
    router = Router(shop, now)
    stands_for = [len(waiting) / max(1, len(specs))] * len(specs) + [1.0] * len(done_specs)
    looked_at = [value_of_information(router, spec) for spec in (*specs, *done_specs)]
    worth = worth_of(zip(stands_for, looked_at, strict=True))
    wanted = ranked(cells, worth)
    return Coverage(
        shop_revision=shop.revision,
        as_of=now,
        cells=cells,
        to_do=_errands(router, wanted, worth),
        jobs_waiting=len(waiting),
        jobs_sampled=len(specs),
        past_sampled=len(done_specs),
        past_read=len(past),
    )


def _sample(job_ids: Sequence[str]) -> list[str]:
    """At most so many, evenly spread."""
    step = max(1, -(-len(job_ids) // JOBS_LOOKED_AT))
    return list(job_ids[::step])


def _specs(stores: Stores, job_ids: Sequence[str]) -> list[JobSpec]:
    """The jobs with their parts, as given."""
    records = [one for one in stores.jobs.get_many(job_ids) if one is not None] if job_ids else []
    posed = posed_jobs(stores, [record.spec for record in records])
    return [one.specs[0] for one in posed if isinstance(one, PosedJob)]


def _errands(
    router: Router, wanted: Sequence[CoverageCell], worth: dict[tuple[str, str, str], tuple[float, float]]
) -> tuple[Errand, ...]:
    routings = router.route([_piece(cell) for cell in wanted])
    found = []
    for rank, (cell, routing) in enumerate(zip(wanted, routings, strict=True), 1):
        chosen = routing.chosen
        hours = None if chosen is None else chosen.print_h + chosen.setup_h
        grams = None if chosen is None else chosen.material_g
        found.append(errand(rank, cell, worth.get(key_of(cell), (0.0, 0.0)), hours, grams, _words(router.shop, cell)))
    return tuple(found)


def _piece(cell: CoverageCell) -> JobSpec:
    place = PlaceNeed(machine_id=cell.machine_id, nozzle_id=cell.nozzle_id)
    material = MaterialNeed(material_ids=(cell.material_id,))
    return JobSpec(name="gauge piece", material=material, summary=gauge_piece.summary(), place=place)


def _words(shop: Shop, cell: CoverageCell) -> str:
    machine = next((one.name for one in shop.machines if one.id == cell.machine_id), cell.machine_id)
    nozzle = next((one.name for one in shop.nozzles if one.id == cell.nozzle_id), cell.nozzle_id)
    material = next((one.name for one in shop.materials if one.id == cell.material_id), cell.material_id)
    return f"{machine} with {nozzle} in {material}"
