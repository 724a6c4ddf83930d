"""Plans of the whole queue: the shop is read, every waiting job scored on every pairing, and the order searched for."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from workers.model.codec import from_json, to_json
from workers.model.dispatch import DispatchList, Listed
from workers.model.errors import ConflictError
from workers.model.fleet import MachineState
from workers.model.job import JobSpec
from workers.model.long_task import LongTask
from workers.model.plan import PLAN, LeftOut, PlanComparison, PlanFigures, PlanRequest, PlanResult, RuleCost
from workers.planning.dispatch import Bench, bench_of
from workers.planning.plan import Plan, plan
from workers.planning.queue import Option, Queue, Waiting, behind, options_of, queue_of, today
from workers.planning.queue_figures import Orders, comparison, figures, machine_plans, orders_today, planned_orders
from workers.routing.decide import Router
from workers.routing.score import weights_of
from workers.store.stores import Stores
from workers.tasks.dispatch import bind_all
from workers.tasks.long_tasks import RUNNERS, Hand
from workers.tasks.posed import PosedJob, posed_jobs
from workers.tasks.routing import router_for
from workers.tasks.snapshot import Snapshot, take_snapshot

JOBS_MOST = 1000  # waiting jobs in a plan: past that the search hardly begins in a minute (measured)
AT_ONCE = 64  # jobs scored in one pass
SCORED = 5.0  # percent told once all are scored
LEAST_S = 0.2  # for the search, however long the scoring took


@dataclass(frozen=True, slots=True, kw_only=True)
class Parted:
    """The lists: jobs to plan, and how many entries of each machine are kept ahead of them.

    A pinned or begun job is kept, and so are those ahead of it: that is what keeps its place.
    """

    movable: tuple[tuple[str, Listed], ...]
    kept: Mapping[str, int]


def run_plan(stores: Stores, task: LongTask, hand: Hand) -> bytes:
    """A long task's runner: the result as JSON. Raises ConflictError."""
    bind_all(stores)
    return to_json(plan_now(stores, from_json(task.request, PlanRequest), hand))


RUNNERS[PLAN] = run_plan


def plan_now(stores: Stores, request: PlanRequest, hand: Hand) -> PlanResult:
    began, snapshot = time.time(), take_snapshot(stores)
    parted = parted_lists(snapshot.lists)
    if len(parted.movable) > JOBS_MOST:
        raise ConflictError(f"{len(parted.movable)} jobs wait on the dispatch lists; a plan takes {JOBS_MOST} at most")
    waiting, left_out = _waiting(stores, snapshot, parted, request, hand)
    result = _nothing(snapshot, began)
    if waiting:
        up = [one.id for one in snapshot.shop.machines if one.state is MachineState.UP]
        queue = queue_of(waiting, _benches(snapshot, parted.kept, began), up, request.weights)
        result = _result(snapshot, parted, queue, _searched(queue, request, hand), began)
    return replace(result, left_out=left_out)


def parted_lists(lists: Mapping[str, DispatchList]) -> Parted:
    kept = {machine_id: _kept(one.listed) for machine_id, one in lists.items()}
    movable = tuple(
        (machine_id, listed) for machine_id, one in lists.items() for listed in one.listed[kept[machine_id] :]
    )
    return Parted(movable=movable, kept=kept)


def _kept(listed: Sequence[Listed]) -> int:
    fixed = (one.entry.pinned or one.held or one.accepted or one.scrapped for one in listed)
    return max((i + 1 for i, one in enumerate(fixed) if one), default=0)


def _benches(snapshot: Snapshot, kept: Mapping[str, int], now: float) -> dict[str, Bench]:
    """Each machine behind what is kept ahead; one that is gone needs no setups, since it prints nothing any more."""
    machines = {one.id: one for one in snapshot.shop.machines}
    benches = {}
    for machine_id, one in snapshot.lists.items():
        bench = Bench(now=now, nozzle_change_h=0.0, material_change_h=0.0, loaded={})
        if machine_id in machines:
            bench = bench_of(snapshot.shop, machines[machine_id], one.listed, one.claim, now)
        benches[machine_id] = behind(bench, one.listed[: kept[machine_id]])
    return benches


def _waiting(
    stores: Stores, snapshot: Snapshot, parted: Parted, request: PlanRequest, hand: Hand
) -> tuple[list[Waiting], tuple[LeftOut, ...]]:
    """The jobs with their options, and those that have none. A machine that is down is nobody's option."""
    router = router_of(stores, snapshot)
    waiting: list[Waiting] = []
    left_out: list[LeftOut] = []
    for start in range(0, len(parted.movable), AT_ONCE):
        part = parted.movable[start : start + AT_ONCE]
        records = stores.jobs.get_many([listed.entry.job_id for _, listed in part])
        posed = posed_jobs(stores, [record.spec for record in records if record is not None])
        jobs = iter(zip(posed, options_on(router, posed), strict=True))
        for (machine_id, listed), record in zip(part, records, strict=True):
            options = () if record is None else next(jobs)[1]
            kept, why = _allowed(options, machine_id, listed, request)
            if kept:
                waiting.append(Waiting(listed=listed, machine_id=machine_id, options=kept))
            else:
                left_out.append(LeftOut(job_id=listed.entry.job_id, machine_id=machine_id, reason=why))
        hand.tell(SCORED * (start + len(part)) / len(parted.movable))
    return waiting, tuple(left_out)


def router_of(stores: Stores, snapshot: Snapshot) -> Router:
    """For the snapshot's own shop; the warm one where it stands for the same."""
    router = router_for(stores)
    return router if router.shop.revision == snapshot.shop.revision else Router(snapshot.shop, time.time())


def options_on(router: Router, jobs: Sequence[PosedJob | Exception]) -> list[tuple[Option, ...]]:
    """The options of each job on the router's shop; none for one that cannot have its part."""
    specs = [spec for job in jobs if isinstance(job, PosedJob) for spec in job.specs]
    found = iter(router.pairings(specs))
    result: list[tuple[Option, ...]] = []
    for job in jobs:
        if not isinstance(job, PosedJob):
            result.append(())
            continue
        names: list[str | None] = [pose.name for pose in job.poses] or [None]
        by_pose = [(name, next(found)) for name in names]
        result.append(options_of(by_pose, _time_weight(router, job.specs[0])))
    return result


def _time_weight(router: Router, spec: JobSpec) -> float:
    return weights_of(spec.emphasis or router.shop.emphasis)[3]


def _allowed(
    options: tuple[Option, ...], machine_id: str, listed: Listed, request: PlanRequest
) -> tuple[tuple[Option, ...], str]:
    """The options that the request allows, and why there are none."""
    if not options:
        return (), "no machine that is up can print it now"
    if request.job_ids is None or listed.entry.job_id in request.job_ids:
        return options, ""
    here = (machine_id, listed.entry.nozzle_id, listed.entry.material_id)
    stays = tuple(one for one in options if one.place == here)
    return stays, "it is not among the jobs that may move, and cannot be printed where it is now"


def _searched(queue: Queue, request: PlanRequest, hand: Hand) -> Plan:
    def told(share: float, cost: float, bound: float) -> None:
        hand.tell(SCORED + (99.0 - SCORED) * share, cost=cost, bound=bound)

    return plan(
        queue.problem,
        seconds=max(hand.seconds_left, LEAST_S),
        seed=request.seed,
        current=today(queue),
        relaxed=queue.relaxed,
        progress=told,
        cancelled=hand.cancelled,
    )


def _result(snapshot: Snapshot, parted: Parted, queue: Queue, made: Plan, now: float) -> PlanResult:
    before = orders_today(queue)
    after = _no_dearer(queue, before, planned_orders(queue, made.sequences))
    machines = machine_plans(queue, after, parted.kept)
    compared = comparison(queue, before, after, machines)
    cost = compared.planned.cost
    bound = min(made.bound, cost)
    return replace(
        _nothing(snapshot, now),
        method=made.method.value,
        cost=cost,
        bound=bound,
        bound_kind=made.bound_kind,
        gap=(cost - bound) / cost if cost > 0.0 else 0.0,
        rounds=made.rounds,
        seconds=made.seconds,
        cancelled=made.cancelled,
        jobs=queue.problem.jobs,
        pairings=queue.problem.pairings,
        machines=machines,
        comparison=compared,
        rules=tuple(RuleCost(rule=rule, cost=cost) for rule, cost in made.rules.items()),
    )


def _no_dearer(queue: Queue, before: Orders, after: Orders) -> Orders:
    """Today's orders where, by the lists' own rules, the plan turns out to be worth nothing."""
    if today(queue) is None or figures(queue, after).cost < figures(queue, before).cost:
        return after
    return before


def _nothing(snapshot: Snapshot, now: float) -> PlanResult:
    """The plan of an empty queue."""
    none = PlanFigures()
    return PlanResult(
        planned_at=now,
        method="nothing-to-plan",
        cost=0.0,
        bound=0.0,
        bound_kind="searched",
        gap=0.0,
        rounds=0,
        seconds=0.0,
        cancelled=False,
        jobs=0,
        pairings=0,
        machines=(),
        comparison=PlanComparison(today=none, planned=none, moved_jobs=0, reordered_jobs=0, stranded_jobs=0),
        left_out=(),
        shop_revision=snapshot.shop.revision,
        list_versions=snapshot.versions,
        seen=snapshot.seen,
    )
