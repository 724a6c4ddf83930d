"""A plan as the page shows it: what it would bring against today's lists, what moves, and each list as it would be.

Pure; no HTTP, no Redis.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from service.pages.names import Names, names_of
from service.pages.plots.schedule import SchedulePlot, Today, schedule_plot
from service.pages.wording import hours, number
from workers.model.dispatch import Listed
from workers.model.fleet import Machine
from workers.model.long_task import ENDED, LongTask, TaskState
from workers.model.plan import MachinePlan, PlannedRun, PlanRequest, PlanResult
from workers.model.shop import Shop
from workers.planning.dispatch import Bench, Sequencer, bench_of, wanted_at
from workers.planning.finish_times import timings
from workers.store.heads import Head

MOVES_SHOWN = 100
STATE_WORDS: Mapping[TaskState, str] = {
    TaskState.WAITING: "waits for its turn",
    TaskState.RUNNING: "being worked out",
    TaskState.DONE: "ready",
    TaskState.FAILED: "could not be worked out",
    TaskState.CANCELLED: "stopped",
}
METHOD_WORDS: Mapping[str, str] = {
    "enumeration": "by going through every order",
    "nothing-to-plan": "nothing waited that could be planned",
}


@dataclass(frozen=True, slots=True)
class Compared:
    """One measure today and as planned, in words. better: 1, 0 or -1."""

    what: str
    today: str
    planned: str
    better: int

    @property
    def verdict(self) -> str:
        return {1: "better", 0: "the same", -1: "worse"}[self.better]


@dataclass(frozen=True, slots=True)
class RunRow:
    """A job's place in the plan. late: it would end after its due date. change: "" where it stays as it is."""

    run: PlannedRun
    late: bool
    change: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ListRow:
    """One machine's list, today and as planned. today: None where today's list is not the one that was planned on."""

    machine_id: str
    name: str
    today: tuple[str, ...] | None
    today_words: str
    planned_words: str
    runs: tuple[RunRow, ...]
    changes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanView:
    """changed: what is not as it was when the plan was made, in words; empty: it may be put into force."""

    task: LongTask
    request: PlanRequest
    state: str
    open: bool
    names: Names
    result: PlanResult | None = None
    headline: str = ""
    compared: tuple[Compared, ...] = ()
    moves: tuple[RunRow, ...] = ()
    more_moves: int = 0
    lists: tuple[ListRow, ...] = ()
    unchanged: tuple[str, ...] = ()
    left_out: tuple[tuple[str, str, str], ...] = ()
    plot: SchedulePlot | None = None
    changed: tuple[str, ...] = ()

    @property
    def applied(self) -> bool:
        return self.task.applied_at is not None

    @property
    def can_apply(self) -> bool:
        return self.result is not None and not self.applied and not self.changed and bool(self.moves or self.reordered)

    @property
    def reordered(self) -> int:
        return 0 if self.result is None else self.result.comparison.reordered_jobs


def plan_view(
    task: LongTask, request: PlanRequest, result: PlanResult | None, shop: Shop, heads: Mapping[str, Head], now: float
) -> PlanView:
    """``heads``: today's lists of all machines, whole."""
    names = names_of(shop)
    common = {"task": task, "request": request, "names": names, "state": STATE_WORDS[task.state]}
    if result is None:
        return PlanView(**common, open=task.state not in ENDED)  # type: ignore[arg-type]
    changed = () if task.applied_at is not None else changes_since(result, shop, heads, names)
    todays = {} if changed or task.applied_at is not None else _todays(shop, heads, now)
    rows = [_list_row(one, todays.get(one.machine_id), names) for one in result.machines]
    moved = [row for one in rows for row in one.runs if row.run.moved]
    return PlanView(
        **common,  # type: ignore[arg-type]
        open=False,
        result=result,
        headline=_headline(result),
        compared=_compared(result),
        moves=tuple(moved[:MOVES_SHOWN]),
        more_moves=len(moved) - len(moved[:MOVES_SHOWN]),
        lists=tuple(row for row in rows if row.changes),
        unchanged=tuple(row.name for row in rows if not row.changes),
        left_out=tuple((_job_name(one.job_id, heads), names[one.machine_id], one.reason) for one in result.left_out),
        plot=schedule_plot(result, todays, names),
        changed=changed,
    )


def changes_since(result: PlanResult, shop: Shop, heads: Mapping[str, Head], names: Names) -> tuple[str, ...]:
    """What is not any more as the plan took it to be: words to follow "changed since"."""
    found = []
    if shop.revision != result.shop_revision:
        found.append("what the shop is made of, or what is mounted, loaded or calibrated")
    lists = [one.machine_id for one in result.list_versions if _version(heads, one.machine_id) != one.version]
    if lists:
        word = "the list of" if len(lists) == 1 else "the lists of"
        found.append(f"{word} {', '.join(names[one] for one in lists)}")
    return tuple(found)


def _version(heads: Mapping[str, Head], machine_id: str) -> int:
    head = heads.get(machine_id)
    return 0 if head is None else head.list.version


def _todays(shop: Shop, heads: Mapping[str, Head], now: float) -> dict[str, Today]:
    machines = {one.id: one for one in shop.machines}
    return {
        machine_id: _today(shop, machines[machine_id], head, now)
        for machine_id, head in heads.items()
        if machine_id in machines
    }


def _today(shop: Shop, machine: Machine, head: Head, now: float) -> Today:
    listed = head.list.listed
    bench = bench_of(shop, machine, listed, head.list.claim, now)
    return Today(
        listed=tuple(one for one in listed if one.waiting), spans=_spans(bench, listed), cost=_cost(bench, listed)
    )


def _spans(bench: Bench, listed: Sequence[Listed]) -> tuple[tuple[float, float, bool], ...]:
    """Start and end of each job that waits, epoch seconds, and whether it ends too late."""
    spans = []
    for one, timing in zip(listed, timings(bench, listed), strict=True):
        start, end = (bench.now + 3600.0 * hour for hour in (timing.start_h, timing.finish_h))
        if one.waiting:
            spans.append((start, end, end > wanted_at(one.entry)))
    return tuple(spans)


def _cost(bench: Bench, listed: Sequence[Listed]) -> tuple[int, float]:
    cost = Sequencer(bench, listed).cost()
    return cost.late_jobs, cost.setup_h


def _list_row(plan: MachinePlan, today: Today | None, names: Names) -> ListRow:
    runs = tuple(_run_row(one, names) for one in plan.runs)
    before = None if today is None else tuple(one.entry.name for one in today.listed[plan.kept :])
    gone = 0 if today is None else len({one.entry.job_id for one in today.listed[plan.kept :]} - _ids(plan))
    return ListRow(
        machine_id=plan.machine_id,
        name=names[plan.machine_id],
        today=before,
        today_words="" if today is None else _words(len(today.listed), *today.cost),
        planned_words=_words(len(runs) + plan.kept, sum(r.late for r in runs), sum(r.run.setup_h for r in runs)),
        runs=runs,
        changes=sum(bool(row.change) for row in runs) + gone,
    )


def _ids(plan: MachinePlan) -> set[str]:
    return {run.job_id for run in plan.runs}


def _words(jobs: int, late: int, setup_h: float) -> str:
    if not jobs:
        return "no job"
    setups = f"{hours(setup_h)} of setups" if setup_h else "no setup"
    return f"{jobs} {'job' if jobs == 1 else 'jobs'}, {late or 'none'} late, {setups}"


def _run_row(run: PlannedRun, names: Names) -> RunRow:
    late = run.due_at is not None and run.end_at > run.due_at
    if run.moved and run.from_machine_id != run.machine_id:
        return RunRow(run, late, f"comes from {names[run.from_machine_id]}")
    if run.moved and run.from_nozzle_id != run.nozzle_id:
        return RunRow(run, late, f"another nozzle: {names[run.nozzle_id]}")
    if run.moved:
        return RunRow(run, late, f"another material: {names[run.material_id]}")
    return RunRow(run, late, "another place" if run.reordered else "")


def _headline(result: PlanResult) -> str:
    if not result.jobs:
        return "Nothing waits that could be planned: what is on the lists is pinned, begun, or cannot be printed now."
    compared, found = result.comparison, []
    saved = compared.today.cost - compared.planned.cost
    if not compared.moved_jobs and not compared.reordered_jobs:
        return "The lists are as good as any order that was found: leave them as they are."
    late = compared.today.late_jobs - compared.planned.late_jobs
    found.append(f"{abs(late)} {'fewer' if late > 0 else 'more'} late" if late else "as many late as now")
    setups = compared.today.setup_h - compared.planned.setup_h
    if abs(setups) >= 1 / 60:
        found.append(f"{hours(abs(setups))} {'less' if setups > 0 else 'more'} of setups")
    end = compared.today.last_end_h - compared.planned.last_end_h
    if abs(end) >= 1 / 60:
        found.append(f"the last job done {hours(abs(end))} {'sooner' if end > 0 else 'later'}")
    moved = f"{compared.moved_jobs} {'job moves' if compared.moved_jobs == 1 else 'jobs move'}"
    if compared.reordered_jobs:
        moved += f", {compared.reordered_jobs} only {'changes' if compared.reordered_jobs == 1 else 'change'} place"
    return f"{moved}: {', '.join(found)}. By the weights the cost is {number(saved, 1)} less."


def _compared(result: PlanResult) -> tuple[Compared, ...]:
    now, then = result.comparison.today, result.comparison.planned
    scrap_cost = (now.expected_scrap_cost, then.expected_scrap_cost)
    rows = (
        ("Jobs late", now.late_jobs, then.late_jobs, str),
        ("Hours late, weighted by priority", now.weighted_lateness_h, then.weighted_lateness_h, hours),
        ("Setups", now.setups, then.setups, str),
        ("Time of setups", now.setup_h, then.setup_h, hours),
        ("Time of printing", now.print_h, then.print_h, hours),
        ("Until the last job is done", now.last_end_h, then.last_end_h, hours),
        ("Copies expected to fail", now.expected_scrap, then.expected_scrap, lambda x: number(x, 2)),
        ("What those cost, in the shop's currency", *scrap_cost, lambda x: number(x, 2)),
        ("Utility given up against the best", now.quality_lost, then.quality_lost, lambda x: number(x, 3)),
        ("Cost in all, by the weights", now.cost, then.cost, lambda x: number(x, 2)),
    )
    return tuple(_one_compared(what, before, after, say) for what, before, after, say in rows)


def _one_compared(what: str, today: float, planned: float, say: Callable[[float], str]) -> Compared:
    before, after = say(today), say(planned)
    better = 0 if before == after else 1 if planned < today else -1
    return Compared(what, before, after, better)


def _job_name(job_id: str, heads: Mapping[str, Head]) -> str:
    found = (one.entry.name for head in heads.values() for one in head.list.listed if one.entry.job_id == job_id)
    return next(found, job_id)
