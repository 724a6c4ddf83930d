"""The whole queue of a shop as a planning problem: waiting jobs, what each may be printed on, and machines as they are.

What lists count as a setup is asked of the lists' own rule (``dispatch.setups``), so a plan and a list never disagree.
On a machine with several nozzles a setup depends on what each nozzle carried last, which a problem cannot say: it
takes what a nozzle carries now, the bound is taken from the least that each setup can be, and a finished plan is
measured by the rule itself (``queue_figures.py``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import log

import numpy as np

from workers.model.dispatch import Listed
from workers.model.plan import PlanWeights
from workers.model.routing import Candidate
from workers.planning.dispatch import Bench, listed_anew, setups, wanted_at, weight_of
from workers.planning.problem import Floats, Problem
from workers.planning.schedule import Sequences

Place = tuple[str, str, str]  # machine, nozzle, material

# Engineering priors: a pairing worse than this is none that a plan should come to, whatever it would save.
QUALITY_LOST_MOST = 1.0  # utility given up, time left out: e times worse in the weighted scores
SLOWER_MOST = 20.0  # times the hours of the quickest


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """One pairing that can print a job, with its best bead (and pose). lost: utility given up against the best pairing,
    time's share left out; conceded: the same, time included."""

    candidate: Candidate
    pose: str | None = None
    lost: float = 0.0
    conceded: float = 0.0

    @property
    def place(self) -> Place:
        return place_of(self.candidate)


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A job that has not begun, on a list, with its options (at least one)."""

    listed: Listed
    machine_id: str
    options: tuple[Option, ...]

    @property
    def place(self) -> Place:
        return self.machine_id, self.listed.entry.nozzle_id, self.listed.entry.material_id

    @property
    def stays(self) -> Option | None:
        """The option of staying where it is; None for a stranded job."""
        return next((one for one in self.options if one.place == self.place), None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Queue:
    """problem: its machines and jobs count as machines and waiting do here; options, listed: (P,) one a pairing.

    benches: every machine by id, behind the entries that are kept ahead; machines: those that are up.
    """

    problem: Problem
    relaxed: Problem | None
    machines: tuple[str, ...]
    benches: Mapping[str, Bench]
    waiting: tuple[Waiting, ...]
    options: tuple[Option, ...]
    listed: tuple[Listed, ...]
    weights: PlanWeights


def place_of(candidate: Candidate) -> Place:
    return candidate.machine_id, candidate.nozzle_id, candidate.material_id


def options_of(by_pose: Sequence[tuple[str | None, Sequence[Candidate]]], time_weight: float) -> tuple[Option, ...]:
    """The options of a job, best first: on each pairing the pose of the highest utility on one time scale.

    by_pose: all candidates of each pose. Those much worse or slower than the best are left out.
    """
    found: dict[Place, tuple[float, Option]] = {}
    for pose, candidates in by_pose:
        for one in candidates:
            # The fastest candidate of its pose, which its time score is told against; see routing/poses.py.
            fastest_h = (one.print_h + one.setup_h) * one.scores.time
            value = one.utility - time_weight * log(fastest_h)
            known = found.get(place_of(one))
            if known is None or value > known[0]:
                found[place_of(one)] = (value, Option(candidate=one, pose=pose))
    return _worthwhile(list(found.values()), time_weight)


def _worthwhile(valued: Sequence[tuple[float, Option]], time_weight: float) -> tuple[Option, ...]:
    if not valued:
        return ()
    best = max(value for value, _ in valued)
    quality = [one.candidate.utility - time_weight * log(one.candidate.scores.time) for _, one in valued]
    quickest = min(one.candidate.hours_per_good for _, one in valued)
    options = [
        replace(one, lost=max(quality) - own, conceded=best - value)
        for (value, one), own in zip(valued, quality, strict=True)
    ]
    kept = (
        one
        for one in options
        if one.conceded == 0.0
        or (one.lost <= QUALITY_LOST_MOST and one.candidate.hours_per_good <= SLOWER_MOST * quickest)
    )
    return tuple(sorted(kept, key=lambda one: one.conceded))


def behind(bench: Bench, kept: Sequence[Listed]) -> Bench:
    """The machine once the entries kept ahead are done."""
    hours = sum(setups(bench, kept)) + sum(one.waiting * one.entry.copy_h for one in kept)
    loaded = dict(bench.loaded) | {one.entry.nozzle_id: one.entry.material_id for one in kept if one.waiting}
    return replace(bench, loaded=loaded, busy_h=bench.busy_h + hours)


def queue_of(
    waiting: Sequence[Waiting], benches: Mapping[str, Bench], machines: Sequence[str], weights: PlanWeights
) -> Queue:
    """The problem. Options on machines that are not among ``machines`` must not be there. Raises InvalidError."""
    index = {machine_id: i for i, machine_id in enumerate(machines)}
    flat = [(j, one) for j, job in enumerate(waiting) for one in job.options]
    options = tuple(one for _, one in flat)
    listed = tuple(listed_anew(waiting[j].listed, one.candidate) for j, one in flat)
    families = _families(options, listed, machines)
    setup, first, least = _setup_tables(families, benches, machines)
    entries = [job.listed.entry for job in waiting]
    now = benches[machines[0]].now if machines else 0.0
    problem = Problem(
        jobs=len(waiting),
        machines=len(machines),
        job=np.array([j for j, _ in flat], dtype=np.int64),
        machine=np.array([index[one.candidate.machine_id] for one in options], dtype=np.int64),
        family=np.array([list(families[one.candidate.machine_id]).index(one.place) for one in options], dtype=np.int64),
        hours=np.array([one.waiting * one.entry.copy_h for one in listed]),
        failure=np.array([fixed_cost(one, at, weights) for one, at in zip(options, listed, strict=True)]),
        setup=setup,
        first=first,
        release=_dry_from(waiting, benches),
        due=np.array([(wanted_at(entry) - now) / 3600.0 for entry in entries]),
        weight=np.array([weight_of(entry) for entry in entries]),
        free=np.array([benches[machine_id].busy_h for machine_id in machines]),
        weights=replace(weights, failure=1.0, quality=0.0),
    )
    exact = bool((least >= setup).all())
    return Queue(
        problem=problem,
        relaxed=None if exact else replace(problem, setup=np.minimum(least, setup)),
        machines=tuple(machines),
        benches=benches,
        waiting=tuple(waiting),
        options=options,
        listed=listed,
        weights=weights,
    )


def _dry_from(waiting: Sequence[Waiting], benches: Mapping[str, Bench]) -> Floats:
    """(J,) hours from which each job has a spool dry enough for one of its options: none may start sooner."""
    return np.array(
        [
            min(benches[one.candidate.machine_id].dry_h.get(one.candidate.material_id, 0.0) for one in job.options)
            for job in waiting
        ]
    )


def scrap_of(option: Option, listed: Listed) -> tuple[float, float]:
    """Copies expected to fail until all are good, and what they cost."""
    good = option.candidate.good_share
    return listed.waiting * (1.0 / good - 1.0), listed.waiting * option.candidate.cost_per_good * (1.0 - good)


def fixed_cost(option: Option, listed: Listed, weights: PlanWeights) -> float:
    """What choosing the pairing costs, whenever it prints."""
    _, scrap_cost = scrap_of(option, listed)
    return weights.failure * scrap_cost + weights.quality * weight_of(listed.entry) * option.lost


def _families(
    options: Sequence[Option], listed: Sequence[Listed], machines: Sequence[str]
) -> dict[str, dict[Place, Listed]]:
    """For each machine what it may have to be set up for, with an entry that stands for it."""
    families: dict[str, dict[Place, Listed]] = {machine_id: {} for machine_id in machines}
    for option, one in zip(options, listed, strict=True):
        families[option.candidate.machine_id].setdefault(option.place, one)
    return families


def _setup_tables(
    families: Mapping[str, Mapping[Place, Listed]], benches: Mapping[str, Bench], machines: Sequence[str]
) -> tuple[Floats, Floats, Floats]:
    """Hours (M, F, F) from family to family, (M, F) from the present state, and (M, F, F) the least they can be."""
    count = max((len(families[machine_id]) for machine_id in machines), default=0)
    setup, least = np.zeros((2, len(machines), count, count))
    first = np.zeros((len(machines), count))
    for m, machine_id in enumerate(machines):
        bench, own = benches[machine_id], list(families[machine_id].values())
        for g, after in enumerate(own):
            first[m, g] = setups(bench, [after])[-1]
            for f, before in enumerate(own):
                setup[m, f, g] = setups(bench, [before, after])[-1]
                least[m, f, g] = setups(bench, [after, before, after])[-1]
    return setup, first, least


def today(queue: Queue) -> Sequences | None:
    """The lists as they stand; None where a job is stranded."""
    pairs = zip(queue.options, queue.listed, strict=True)
    at = {(option.place, one.entry.job_id): p for p, (option, one) in enumerate(pairs)}
    orders: dict[str, list[int]] = {machine_id: [] for machine_id in queue.machines}
    for job in sorted(queue.waiting, key=lambda one: one.listed.place):
        if job.stays is None:
            return None
        orders[job.machine_id].append(at[job.place, job.listed.entry.job_id])
    return tuple(tuple(orders[machine_id]) for machine_id in queue.machines)
