"""A full shop: 50 machines of two nozzles each, 2,000 jobs on their lists, prints going on, outcomes of the week."""

from __future__ import annotations

import random
import time
from dataclasses import replace

from tests.benchmarks.bench_scoring import big_shop, jobs
from workers.model import ids
from workers.model.job import JobSpec, JobState, PlaceNeed
from workers.model.outcome import Report
from workers.model.shop import PLURALS, Shop
from workers.store.claims import Nothing, Taking
from workers.store.stores import Stores
from workers.tasks import drain_and_bind, record_outcome

MACHINES, JOBS = 50, 2_000
WORDS = ("bracket", "guide", "cover", "spacer", "jig", "hinge", "duct", "cradle", "knob", "gauge block")
PLACES = ("left", "right", "upper", "lower", "for the test bench", "second batch")


def fill(stores: Stores, machines: int = MACHINES, count: int = JOBS) -> None:
    """Through the store and the tasks, as workers would; each job for one nozzle, so that the lists are even.

    A third of the jobs have a due date, some too near; two machines of three print, some have finished a copy.
    """
    shop = _named(big_shop(machines))
    for plural in PLURALS.values():
        for thing in getattr(shop, plural):
            stores.fleet.create(thing)
    specs = _specs(shop, count)
    start = int(time.time() * 1000)
    for at in range(0, count, 500):
        some = specs[at : at + 500]
        stores.jobs.hand_in(some, ids.run_of(len(some), start + at, 7 << 70))
        while stores.inbox.waiting() or stores.jobs.counts().get(JobState.ROUTED, 0):
            drain_and_bind(stores, "full shop")
    for n, machine in enumerate(shop.machines):
        if n % 3:
            _print(stores, machine.id, n)


def _named(shop: Shop) -> Shop:
    machines = tuple(replace(one, name=f"Bench {i + 1:02}") for i, one in enumerate(shop.machines))
    nozzles = tuple(replace(one, name=f"{one.bore_mm:g} brass, {one.id}") for one in shop.nozzles)
    return replace(shop, machines=machines, nozzles=nozzles)


def _specs(shop: Shop, count: int) -> list[JobSpec]:
    rng, now = random.Random(5), time.time()
    wide = [one for one in shop.nozzles if one.bore_mm >= 0.4]
    return [
        replace(
            spec,
            name=f"{rng.choice(WORDS)} {i}, {rng.choice(PLACES)}",
            quantity=rng.randint(1, 4),
            due_at=now + 3600 * rng.uniform(2, 400) if i % 3 == 0 else None,
            material=replace(spec.material, material_ids=("pla", "petg")),
            place=PlaceNeed(machine_id=wide[i % len(wide)].machine_id or "", nozzle_id=wide[i % len(wide)].id),
        )
        for i, spec in enumerate(jobs(count, seed=3))
    ]


def _print(stores: Stores, machine_id: str, n: int) -> None:
    """A copy in the works; on every other such machine one is finished before it."""
    for claim_id in (f"full-{n}-a", f"full-{n}-b")[n % 2 :]:
        wanted = Taking(machine_id=machine_id, claimant="agent", lease_s=36_000, claim_id=claim_id)
        if isinstance(stores.claims.take(wanted), Nothing):
            return
        if claim_id.endswith("a"):
            stores.claims.finish(claim_id, Report(accepted=True))
            record_outcome(stores, claim_id)
