"""Putting a plan into force: the moved jobs get a routing for their pairing, then one script does it all or nothing."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import replace

from workers.model.codec import from_json
from workers.model.dispatch import DispatchList, Listed
from workers.model.errors import ConflictError, NotFoundError
from workers.model.long_task import LongTask
from workers.model.plan import PLAN, MachinePlan, PlannedRun, PlanResult
from workers.model.routing import PoseChoice, Routing
from workers.planning.dispatch import listed_anew
from workers.planning.places import STEP
from workers.planning.queue import Option
from workers.routing.decide import Router
from workers.store.plans import Application, Placing
from workers.store.stores import Stores
from workers.tasks.plans import options_on, router_of
from workers.tasks.posed import PosedJob, posed_jobs
from workers.tasks.snapshot import Snapshot, take_snapshot

CHANGES_NAMED = 5
EVENTS_READ = 5000
# Events that change nothing a plan is from.
ECHOES = (".progress", "plan.", "line-up-study.", "job.accepted", "job.routed", "webhook.")


class StalePlanError(ConflictError):
    """The shop has changed since the plan was made."""

    slug, title = "plan-stale", "The shop has changed since this plan was made"


def apply_plan(stores: Stores, plan_id: str) -> LongTask:
    """Put a plan into force; gives its record.

    Raises NotFoundError, ConflictError where it has no result or is in force, StalePlanError: nothing is touched.
    """
    task = stores.long_tasks.get(PLAN, plan_id)
    result = _result_of(task)
    snapshot = take_snapshot(stores)
    _require_as_planned(stores, snapshot, result)
    placings = _placings(stores, snapshot, task, result)
    application = Application(
        subject=task.subject,
        shop_revision=result.shop_revision,
        list_versions=result.list_versions,
        placings=placings,
    )
    word, what = stores.plans.apply(application)
    if word != "applied":
        raise _refused(stores, task, result, word, what)
    return stores.long_tasks.get(PLAN, plan_id)


def _result_of(task: LongTask) -> PlanResult:
    if task.applied_at is not None:
        raise ConflictError("the plan is in force already")
    if task.result is None:
        raise ConflictError(f"the plan is {task.state} and has no result to put into force")
    return from_json(task.result, PlanResult)


def _refused(stores: Stores, task: LongTask, result: PlanResult, word: str, what: str) -> Exception:
    if word == "unknown":
        return NotFoundError(f"no plan has the id {task.id!r}")
    if word == "again":
        return ConflictError("the plan is in force already")
    if word == "not-ready":
        return ConflictError("the plan has no result to put into force")
    named = {
        "shop": "the shop was changed",
        "list": f"the dispatch list of {what} changed",
        "job": f"job {what} went on",
    }
    return _stale(stores, result, [named[word]])


def _require_as_planned(stores: Stores, snapshot: Snapshot, result: PlanResult) -> None:
    """Spares the scoring where it is known to be in vain; the script looks again. Raises StalePlanError."""
    found = ["the shop was changed"] if snapshot.shop.revision != result.shop_revision else []
    changed = set(snapshot.versions) ^ set(result.list_versions)
    found += [
        f"the dispatch list of {machine_id} changed" for machine_id in sorted({one.machine_id for one in changed})
    ]
    if found:
        raise _stale(stores, result, found)


def _stale(stores: Stores, result: PlanResult, found: Sequence[str]) -> StalePlanError:
    """What changed, with the first events that tell of it."""
    events = stores.events.after(result.seen, EVENTS_READ)
    told = [f"{one.subject} {one.kind.partition('.')[2]}" for one in events if not _is_echo(one.kind)]
    more = f", and {len(told) - CHANGES_NAMED} more" if len(told) > CHANGES_NAMED else ""
    since = f" Since then: {', '.join(told[:CHANGES_NAMED])}{more}." if told else ""
    words = "; ".join(found[:CHANGES_NAMED])
    return StalePlanError(f"{words} since the plan was made: nothing was moved, make another plan.{since}")


def _is_echo(kind: str) -> bool:
    return any(kind.startswith(one) or (one[0] == "." and kind.endswith(one)) for one in ECHOES)


def _placings(stores: Stores, snapshot: Snapshot, task: LongTask, result: PlanResult) -> list[Placing]:
    """Every planned job at its new place, and behind the planned ones what the plan left out on the same list."""
    moved = [run for machine in result.machines for run in machine.runs if run.moved]
    routed = _routings(stores, snapshot, moved, task)
    before = {one.entry.job_id: one for seen in snapshot.lists.values() for one in seen.listed}
    placings = []
    for machine in result.machines:
        left_out = [one.job_id for one in result.left_out if one.machine_id == machine.machine_id]
        places = _places(snapshot.lists[machine.machine_id], machine, left_out)
        placings += [_placing(run, before[run.job_id], places, routed, task) for run in machine.runs]
        placings += [_put_back(before[job_id], places, machine.machine_id) for job_id in left_out]
    return [one for one in placings if one.data is not None or one.listed.place != before[_id(one)].place]


def _id(placing: Placing) -> str:
    return placing.listed.entry.job_id


def _places(now: DispatchList, machine: MachinePlan, left_out: Sequence[str]) -> dict[str, float]:
    """The sort key of each job behind what is kept; none changes where the order stays as it is."""
    order = [*(run.job_id for run in machine.runs), *left_out]
    behind = {one.entry.job_id: one.place for one in now.listed[machine.kept :]}
    if order == [job_id for job_id in behind if job_id in set(order)]:
        return behind
    begin = now.listed[machine.kept - 1].place if machine.kept else 0.0
    return {job_id: begin + STEP * (i + 1) for i, job_id in enumerate(order)}


def _placing(
    run: PlannedRun,
    listed: Listed,
    places: Mapping[str, float],
    routed: Mapping[str, tuple[Option, Routing]],
    task: LongTask,
) -> Placing:
    option, routing = routed.get(run.job_id, (None, None))
    if option is not None:
        anew = listed_anew(listed, option.candidate)
        listed = replace(anew, entry=replace(anew.entry, moved_at=time.time(), conceded=option.conceded))
    return Placing(
        listed=replace(listed, place=places[run.job_id]),
        from_machine=run.from_machine_id,
        to_machine=run.machine_id,
        data=_data(run, task) if run.moved or run.reordered else None,
        routing=routing,
    )


def _put_back(listed: Listed, places: Mapping[str, float], machine_id: str) -> Placing:
    placed = replace(listed, place=places[listed.entry.job_id])
    return Placing(listed=placed, from_machine=machine_id, to_machine=machine_id)


def _data(run: PlannedRun, task: LongTask) -> dict[str, object]:
    return {
        "from": run.from_machine_id,
        "machine_id": run.machine_id,
        "nozzle_id": run.nozzle_id,
        "material_id": run.material_id,
        "position": run.position,
        "plan_id": task.id,
        "reason": f"plan {task.id}: {'moved' if run.moved else 'put in another order'}",
    }


def _routings(
    stores: Stores, snapshot: Snapshot, moved: Sequence[PlannedRun], task: LongTask
) -> dict[str, tuple[Option, Routing]]:
    """The option and the routing of each moved job. Raises StalePlanError where one cannot be printed there now."""
    router = router_of(stores, snapshot)
    records = stores.jobs.get_many([run.job_id for run in moved])
    posed = posed_jobs(stores, [record.spec for record in records if record is not None])
    if len(posed) < len(moved):
        raise StalePlanError("a planned job is gone: nothing was moved, make another plan")
    found = {}
    for run, job, options in zip(moved, posed, options_on(router, posed), strict=True):
        place = (run.machine_id, run.nozzle_id, run.material_id)
        option = next((one for one in options if one.place == place), None)
        routing = None if option is None or not isinstance(job, PosedJob) else _routing(router, job, run, option, task)
        if option is None or routing is None:
            raise StalePlanError(f"{run.job_id} cannot be printed on {place} now: nothing was moved, make another plan")
        found[run.job_id] = (option, routing)
    return found


def _routing(router: Router, job: PosedJob, run: PlannedRun, option: Option, task: LongTask) -> Routing | None:
    names = [pose.name for pose in job.poses]
    at = names.index(option.pose) if option.pose in names else 0
    routing = router.route_on(job.specs[at], option.place)
    if routing is None:
        return None
    note = f"Planned onto {run.machine_id} with {run.nozzle_id} and {run.material_id} by plan {task.id}"
    note += "." if option.conceded == 0.0 else f", {option.conceded:.2f} in utility behind the best for it alone."
    routing = replace(routing, notes=(*routing.notes, note))
    if not job.poses:
        return routing
    pose = job.poses[at]
    choice = PoseChoice(
        name=pose.name, rotation=pose.rotation, compared=len(job.poses), note=f"Planned in the pose {pose.name}."
    )
    return replace(routing, pose=choice)
