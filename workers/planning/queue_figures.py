"""What an order of the queue comes to, by the lists' own rules: times, setups, lateness, scrap, and the cost of it."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from workers.model.dispatch import Entry, Listed
from workers.model.plan import MachinePlan, PlanComparison, PlanFigures, PlannedRun
from workers.planning.dispatch import Bench, setups, wanted_at, weight_of
from workers.planning.queue import Option, Queue, Waiting, scrap_of
from workers.planning.schedule import Sequences


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """A job in an order. option: None for a stranded one, which costs what its list foretold, and no scrap."""

    job: Waiting
    listed: Listed
    option: Option | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Time:
    """Hours from now."""

    setup_h: float
    start_h: float
    end_h: float


Orders = Mapping[str, Sequence[Stand]]  # by machine


def planned_orders(queue: Queue, sequences: Sequences) -> Orders:
    jobs = {job.listed.entry.job_id: job for job in queue.waiting}
    return {
        machine_id: [
            Stand(job=jobs[queue.listed[p].entry.job_id], listed=queue.listed[p], option=queue.options[p])
            for p in order
        ]
        for machine_id, order in zip(queue.machines, sequences, strict=True)
    }


def orders_today(queue: Queue) -> Orders:
    """The lists as they stand, with what is expected today where a job can be printed."""
    place = {job.listed.entry.job_id: job.place for job in queue.waiting}
    stays = {
        one.entry.job_id: (option, one)
        for option, one in zip(queue.options, queue.listed, strict=True)
        if option.place == place[one.entry.job_id]
    }
    orders: dict[str, list[Stand]] = {machine_id: [] for machine_id in queue.benches}
    for job in sorted(queue.waiting, key=lambda one: one.listed.place):
        option, listed = stays.get(job.listed.entry.job_id, (None, job.listed))
        orders[job.machine_id].append(Stand(job=job, listed=listed, option=option))
    return orders


def times(bench: Bench, order: Sequence[Stand]) -> list[Time]:
    clock, found = bench.busy_h, []
    for one, setup_h in zip(order, setups(bench, [one.listed for one in order]), strict=True):
        ready = bench.dry_h.get(one.listed.entry.material_id, 0.0) if one.listed.waiting else 0.0
        start = max(clock + setup_h, ready)  # drying goes on beside what is printed
        clock = start + one.listed.waiting * one.listed.entry.copy_h
        found.append(Time(setup_h=setup_h, start_h=start, end_h=clock))
    return found


def figures(queue: Queue, orders: Orders) -> PlanFigures:
    """What the orders of all machines come to."""
    stands: list[Stand] = []
    when: list[Time] = []
    for machine_id, order in orders.items():
        stands += order
        when += times(queue.benches[machine_id], order)
    now = next(iter(queue.benches.values())).now
    late = [_late_h(one.listed.entry, now, at.end_h) for one, at in zip(stands, when, strict=True)]
    scrap = [(0.0, 0.0) if one.option is None else scrap_of(one.option, one.listed) for one in stands]
    lost = sum(weight_of(one.listed.entry) * one.option.lost for one in stands if one.option is not None)
    setup_h, scrap_cost = sum(at.setup_h for at in when), sum(cost for _, cost in scrap)
    tardiness = sum(weight_of(one.listed.entry) * hours for one, hours in zip(stands, late, strict=True))
    last_end_h = max((at.end_h for at in when), default=0.0)
    by = queue.weights
    return PlanFigures(
        print_h=sum(one.listed.waiting * one.listed.entry.copy_h for one in stands),
        setup_h=setup_h,
        setups=sum(at.setup_h > 0.0 for at in when),
        late_jobs=sum(
            hours > 0.0 and one.listed.entry.due_at is not None for one, hours in zip(stands, late, strict=True)
        ),
        weighted_lateness_h=tardiness,
        last_end_h=last_end_h,
        expected_scrap=sum(copies for copies, _ in scrap),
        expected_scrap_cost=scrap_cost,
        quality_lost=lost,
        cost=by.tardiness * tardiness
        + by.makespan * last_end_h
        + by.flow * sum(at.end_h for at in when)
        + by.setup * setup_h
        + by.failure * scrap_cost
        + by.quality * lost,
    )


def _late_h(entry: Entry, now: float, end_h: float) -> float:
    return max(end_h - (wanted_at(entry) - now) / 3600.0, 0.0)


def comparison(queue: Queue, before: Orders, after: Orders, machines: Sequence[MachinePlan]) -> PlanComparison:
    runs = [run for machine in machines for run in machine.runs]
    return PlanComparison(
        today=figures(queue, before),
        planned=figures(queue, after),
        moved_jobs=sum(run.moved for run in runs),
        reordered_jobs=sum(run.reordered for run in runs),
        stranded_jobs=sum(job.stays is None for job in queue.waiting),
    )


def machine_plans(queue: Queue, orders: Orders, kept: Mapping[str, int]) -> tuple[MachinePlan, ...]:
    """The orders as they are shown. kept: entries that stay ahead on each machine."""
    return tuple(
        MachinePlan(
            machine_id=machine_id,
            kept=kept.get(machine_id, 0),
            free_at=_moment(queue.benches[machine_id], queue.benches[machine_id].busy_h),
            runs=_runs(queue.benches[machine_id], orders[machine_id], kept.get(machine_id, 0)),
        )
        for machine_id in queue.machines
    )


def _runs(bench: Bench, order: Sequence[Stand], kept: int) -> tuple[PlannedRun, ...]:
    stay = [i for i, one in enumerate(order) if one.option is not None and one.option.place == one.job.place]
    in_order = {stay[i] for i in longest_rise([order[i].job.listed.place for i in stay])}
    out_of_order = set(stay) - in_order
    return tuple(
        _run(bench, one, at, kept + i + 1, moved=i not in stay, reordered=i in out_of_order)
        for i, (one, at) in enumerate(zip(order, times(bench, order), strict=True))
    )


def longest_rise(values: Sequence[float]) -> list[int]:
    """The indices of the longest strictly rising run of values, not necessarily neighbours (patience sorting)."""
    ends: list[float] = []
    at: list[int] = []
    before: list[int] = []
    for i, value in enumerate(values):
        place = bisect_left(ends, value)
        before.append(at[place - 1] if place else -1)
        ends[place : place + 1] = [value]
        at[place : place + 1] = [i]
    chain, i = [], at[-1] if at else -1
    while i >= 0:
        chain.append(i)
        i = before[i]
    return chain[::-1]


def _run(bench: Bench, stand: Stand, at: Time, position: int, *, moved: bool, reordered: bool) -> PlannedRun:
    entry, option = stand.listed.entry, stand.option
    assert option is not None  # nosec B101  # a planned job has one
    machine_id, nozzle_id, material_id = stand.job.place
    return PlannedRun(
        job_id=entry.job_id,
        name=entry.name,
        machine_id=option.candidate.machine_id,
        nozzle_id=entry.nozzle_id,
        material_id=entry.material_id,
        position=position,
        copies=stand.listed.waiting,
        setup_h=at.setup_h,
        hours=at.end_h - at.start_h,
        start_at=_moment(bench, at.start_h),
        end_at=_moment(bench, at.end_h),
        due_at=entry.due_at,
        expected_scrap=scrap_of(option, stand.listed)[0],
        from_machine_id=machine_id,
        from_nozzle_id=nozzle_id,
        from_material_id=material_id,
        moved=moved,
        reordered=reordered,
        pose=option.pose,
    )


def _moment(bench: Bench, hours: float) -> float:
    return float(round(bench.now + 3600.0 * hours))
