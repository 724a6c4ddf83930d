"""More places for jobs whose routing has no room to name all that are as good: a routing names its best few only.

In a shop of many machines alike, the same few would get all the work. What a routing leaves out is scored on the shop
without the machines that it names; the best of those stays in as the measure, since the time score is a ratio to the
fastest there is.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace

from workers.model.dispatch import RoutedJob
from workers.model.routing import Candidate, Routing, Scores
from workers.model.shop import Shop
from workers.planning.affected import pairing_of
from workers.planning.where import WORTH
from workers.routing.decide import OTHERS, Router
from workers.store.stores import Stores
from workers.tasks.posed import PosedJob, posed_jobs

ROUNDS = 3  # each names up to OTHERS more


def widened(stores: Stores, shop: Shop, now: float, jobs: Sequence[RoutedJob]) -> list[RoutedJob]:
    """The jobs, with more of the places that are as good as their choice among ``others``."""
    found = {job.job_id: job for job in jobs}
    open_jobs = [job for job in jobs if len(job.others) >= OTHERS and _as_good(job, job.others[-1])]
    for _ in range(ROUNDS):
        if not open_jobs:
            break
        more = _once_more(stores, shop, now, open_jobs)
        found |= {job.job_id: job for job in more}
        open_jobs = [
            job
            for before, job in zip(open_jobs, more, strict=True)
            if len(job.others) > len(before.others) and _as_good(job, job.others[-1])
        ]
    return [found[job.job_id] for job in jobs]


def _as_good(job: RoutedJob, candidate: Candidate) -> bool:
    return job.chosen.utility - candidate.utility <= WORTH


def _once_more(stores: Stores, shop: Shop, now: float, jobs: Sequence[RoutedJob]) -> list[RoutedJob]:
    groups: dict[tuple[str, frozenset[str]], list[RoutedJob]] = defaultdict(list)
    for job in jobs:
        groups[job.chosen.machine_id, _named(job)].append(job)
    found: dict[str, RoutedJob] = {}
    for (measure, named), members in groups.items():
        machines = tuple(one for one in shop.machines if one.id not in named or one.id == measure)
        if len(machines) > 1:
            router = Router(replace(shop, machines=machines), now)
            found |= {job.job_id: job for job in _scored(stores, router, members)}
    return [found.get(job.job_id, job) for job in jobs]


def _named(job: RoutedJob) -> frozenset[str]:
    return frozenset(one.machine_id for one in (job.chosen, *job.others))


def _scored(stores: Stores, router: Router, jobs: Sequence[RoutedJob]) -> Iterable[RoutedJob]:
    records = stores.jobs.get_many([job.job_id for job in jobs])
    kept = [(job, record.spec) for job, record in zip(jobs, records, strict=True) if record is not None]
    posed = posed_jobs(stores, [spec for _, spec in kept])
    ready = [(job, one) for (job, _), one in zip(kept, posed, strict=True) if isinstance(one, PosedJob)]
    routings = iter(router.route([spec for _, one in ready for spec in one.specs]))
    for job, one in ready:
        routing = one.chosen([next(routings) for _ in one.specs])
        yield replace(job, others=(*job.others, *_beyond(job, routing)))


def _beyond(job: RoutedJob, routing: Routing) -> list[Candidate]:
    """The routing's candidates on other machines than the job's, measured as its own were."""
    ranked = (*(() if routing.chosen is None else (routing.chosen,)), *routing.others)
    measure = next((one for one in ranked if pairing_of(one) == pairing_of(job.chosen)), None)
    if measure is None:
        return []
    shift, weight, named = job.chosen.utility - measure.utility, routing.emphasis.time, _named(job)
    factor = math.exp(shift / weight) if weight > 0.0 else 1.0
    beyond = [_measured(one, shift, factor) for one in ranked if one.machine_id not in named]
    return sorted((one for one in beyond if _as_good(job, one)), key=lambda one: -one.utility)


def _measured(one: Candidate, shift: float, factor: float) -> Candidate:
    low, high = (None if s is None else _paced(s, factor) for s in (one.low, one.high))
    scores = _paced(one.scores, factor)
    return replace(one, utility=one.utility + shift, scores=scores, low=low, high=high, probability_best=None)


def _paced(scores: Scores, factor: float) -> Scores:
    return replace(scores, time=min(scores.time * factor, 1.0))
