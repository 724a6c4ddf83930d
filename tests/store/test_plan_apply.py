"""Plans put into force while real clients claim, finish and give back: all or nothing, and no promise is broken."""

from __future__ import annotations

import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest
import redis

from tests.builders import block, job, machine, nozzle, plain, spool
from tests.store.dispatching import bound
from workers import tasks
from workers.model import ids
from workers.model.codec import from_json, to_json
from workers.model.dispatch import Claim, CopyState
from workers.model.errors import BorewrightError, ConflictError
from workers.model.job import JobState
from workers.model.long_task import LongTask, TaskState
from workers.model.outcome import Report
from workers.model.part_record import MeshOptions, Orientation, PartPose
from workers.model.plan import PLAN, PlanRequest, PlanResult, PlanWeights
from workers.store.claims import Taking, new_claim_id
from workers.store.parts import Upload
from workers.store.plans import Application
from workers.store.stores import Stores, open_stores
from workers.tasks.plan_application import StalePlanError, apply_plan

MACHINES = ("m1", "m2", "m3")
REQUEST = PlanRequest(weights=PlanWeights(quality=0.0, flow=1.0))


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    """Three machines alike, the first two with jobs before the third comes."""
    opened = open_stores(redis_client)
    opened.inbox.prepare()
    for thing in (plain(), machine("m1", nozzle_slots=1), nozzle("n1", 0.4, "m1"), spool("pla", "m1")):
        opened.fleet.create(thing)
    return opened


def grown(stores: Stores, *machine_ids: str) -> None:
    for one in machine_ids:
        stores.fleet.create(machine(one, nozzle_slots=1))
        stores.fleet.create(nozzle(f"n{one[1:]}", 0.4, one))


def planned(stores: Stores, number: int = 1) -> LongTask:
    task = stores.long_tasks.create(PLAN, ids.encode(number, 0), to_json(REQUEST), seconds=0.05)
    while tasks.run_next(stores, "planner") != task.subject:
        pass
    return stores.long_tasks.get(PLAN, task.id)


def taking(machine_id: str) -> Taking:
    return Taking(machine_id=machine_id, claimant="an agent", lease_s=60.0, claim_id=new_claim_id())


def order(stores: Stores) -> dict[str, list[str]]:
    return {one: [listed.entry.name for listed in stores.dispatch.get(one).listed] for one in MACHINES}


def everything(client: redis.Redis) -> dict[bytes, bytes]:
    return {key: client.dump(key) for key in client.scan_iter()}


def test_it_is_all_there_in_one_step(stores: Stores) -> None:
    job_ids = bound(stores, *"abcdef")
    grown(stores, "m2", "m3")
    task = planned(stores)
    assert task.result is not None
    result = from_json(task.result, PlanResult)
    assert apply_plan(stores, task.id).applied_at is not None
    assert order(stores) == {one.machine_id: [run.name for run in one.runs] for one in result.machines}
    assert sorted(map(len, order(stores).values())) == [2, 2, 2]
    for job_id in job_ids:
        machine_id, routing = stores.dispatch.machine_of(job_id), stores.jobs.routing(job_id)
        assert routing is not None
        assert routing.chosen is not None
        assert routing.chosen.machine_id == machine_id
        assert stores.jobs.get(job_id).state is JobState.BOUND


@pytest.mark.parametrize("what", ["claim", "job", "list", "revision", "state"])
def test_the_script_itself_refuses_what_has_changed_and_writes_nothing(stores: Stores, what: str) -> None:
    """The look before the script is passed over, as when the change comes between the two."""
    job_ids = bound(stores, *"abcd")
    grown(stores, "m2", "m3")
    task = planned(stores)
    made: list[Application] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(stores.plans.__class__, "apply", lambda self, one: (made.append(one), ("unknown", ""))[1])
        with pytest.raises(BorewrightError):
            apply_plan(stores, task.id)
    if what == "claim":
        stores.claims.take(taking("m1"))
    elif what == "job":
        stores.jobs.cancel(job_ids[0])
    elif what == "list":
        bound(stores, "e")
    elif what == "revision":
        stores.fleet.create(plain("petg"))
    else:
        stores.client.hset(stores.keys.job(made[0].placings[0].listed.entry.job_id), "attempt", 7)
    before = everything(stores.client)
    word, _ = stores.plans.apply(made[0])
    assert word == {"revision": "shop", "state": "job"}.get(what, "list")
    assert everything(stores.client) == before


def test_a_plan_is_put_into_force_once(stores: Stores) -> None:
    bound(stores, *"ab")
    grown(stores, "m2")
    task = planned(stores)
    apply_plan(stores, task.id)
    with pytest.raises(ConflictError, match="already"):
        apply_plan(stores, task.id)
    assert [one.kind for one in stores.events.after("0", 1000)].count("plan.applied") == 1


def test_what_the_plan_left_out_stays_on_its_list_behind(stores: Stores) -> None:
    """The second job's material is used up."""
    stores.fleet.create(plain("petg"))
    stores.fleet.create(spool("petg", "m1", slot=2))
    bound(stores, "a")
    bound(stores, "b", material="petg")
    bound(stores, "c")
    petg = next(one for one in stores.fleet.snapshot().spools if one.material_id == "petg")
    stores.fleet.delete(type(petg), petg.id, petg.version)
    grown(stores, "m2", "m3")
    task = planned(stores)
    result = from_json(task.result or "", PlanResult)
    assert [stores.jobs.get(one.job_id).spec.name for one in result.left_out] == ["b"]
    apply_plan(stores, task.id)
    assert order(stores)["m1"][-1] == "b"
    assert sorted(name for one in order(stores).values() for name in one) == ["a", "b", "c"]


def test_a_job_whose_part_has_poses_is_routed_anew_in_the_pose_that_was_planned(stores: Stores) -> None:
    """Standing, the part is too tall for either machine; lying, it fits both."""
    upload = Upload.of(b"a mesh", MeshOptions(unit="mm", orientation=Orientation.BEST))
    part = stores.parts.put(upload)
    claim = stores.analyses.claim("w", 60.0)
    assert claim is not None
    turned = ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))
    poses = (
        PartPose(name="as-given", summary=block(20, 20, 300)),
        PartPose(name="pose-1", summary=block(20, 200, 20), rotation=turned),
    )
    stores.analyses.commit(claim, poses)
    specs = [replace(job(name), summary=None, part_id=part.id) for name in "ab"]
    job_ids = stores.jobs.accept(specs)
    tasks.drain_and_bind(stores, "test")
    grown(stores, "m2")
    task = planned(stores)
    runs = [run for one in from_json(task.result or "", PlanResult).machines for run in one.runs]
    assert [run.pose for run in runs] == ["pose-1", "pose-1"]
    apply_plan(stores, task.id)
    assert sorted(stores.dispatch.machine_of(one) or "" for one in job_ids) == ["m1", "m2"]
    for job_id in job_ids:
        routing = stores.jobs.routing(job_id)
        assert routing is not None
        assert routing.pose is not None
        assert (routing.pose.name, routing.pose.rotation, routing.pose.compared) == ("pose-1", turned, 2)


def test_plans_and_claims_in_a_race_keep_one_list_a_job_one_claimant_a_copy_and_lose_none(
    stores: Stores, redis_url: str
) -> None:
    """Real clients, each with a connection of its own, claim and end copies while plans are made and applied."""
    job_ids = bound(stores, *(f"j{i}" for i in range(12)), quantity=2)
    grown(stores, "m2", "m3")
    over = threading.Event()
    ended: list[str] = []

    def agent(machine_id: str, number: int) -> None:
        own = open_stores(redis.Redis.from_url(redis_url))
        while not over.is_set():
            claim = own.claims.take(taking(machine_id))
            if isinstance(claim, Claim) and number % 3 == 2:
                own.claims.give_back(claim.id)
            elif isinstance(claim, Claim):
                time.sleep(0.15)
                own.claims.finish(claim.id, Report(accepted=True))
                ended.append(claim.job_id)
            number += 1
            time.sleep(0.15)

    verdicts: Counter[str] = Counter()
    number, deadline = 0, time.monotonic() + 60.0
    with ThreadPoolExecutor() as pool:
        agents = [pool.submit(agent, one, i) for i, one in enumerate(MACHINES)]
        try:
            while min(verdicts["applied"], verdicts["stale"]) < 2 and time.monotonic() < deadline:
                number += 1
                task = planned(stores, number)
                assert task.state is TaskState.DONE, task.reason
                time.sleep(0.2 * (number % 2))
                verdicts[tried(stores, task)] += 1
                require_promises(stores, job_ids)
                if len(ended) >= 18:
                    job_ids += bound(stores, *(f"k{number}-{i}" for i in range(6)), quantity=2)
                    ended.clear()
        finally:
            over.set()
        for one in agents:
            one.result()
    assert min(verdicts["applied"], verdicts["stale"]) >= 2, verdicts
    finish_everything(stores, job_ids)


def tried(stores: Stores, task: LongTask) -> str:
    try:
        apply_plan(stores, task.id)
    except StalePlanError:
        return "stale"
    return "applied"


def require_promises(stores: Stores, job_ids: list[str]) -> None:
    """One list a job and one claimant a copy, seen in one step of the store."""
    keys = stores.keys
    with stores.client.pipeline(transaction=True) as pipe:
        for machine_id in MACHINES:
            pipe.zrange(keys.dispatch_list(machine_id), 0, -1)
        for machine_id in MACHINES:
            pipe.hkeys(keys.dispatch_entries(machine_id))
        for job_id in job_ids:
            pipe.hmget(keys.job(job_id), "state", "list", "held")
        rows = pipe.execute()
    lists, entries, jobs = rows[:3], rows[3:6], rows[6:]
    on_lists = Counter(raw.decode() for one in lists for raw in one)
    assert [set(one) for one in lists] == [set(one) for one in entries]
    assert set(on_lists.values()) <= {1}
    for job_id, (state, machine_id, held) in zip(job_ids, jobs, strict=True):
        assert (state in (b"bound", b"printing")) == (job_id in on_lists), (job_id, state)
        assert (state == b"printing") == (int(held or 0) > 0)
        if machine_id is not None:
            assert job_id.encode() in lists[MACHINES.index(machine_id.decode())]


def finish_everything(stores: Stores, job_ids: list[str]) -> None:
    """No copy is lost: what waits can be taken and finished, and each copy has then ended once."""
    for claim in stores.claims.held():
        stores.claims.finish(claim.id, Report(accepted=True))
    for machine_id in MACHINES:
        while isinstance(claim := stores.claims.take(taking(machine_id)), Claim):
            stores.claims.finish(claim.id, Report(accepted=True))
    for job_id in job_ids:
        assert stores.jobs.get(job_id).state is JobState.DONE
        copies = stores.dispatch.copies(job_id)
        assert [(one.copy, one.state) for one in copies] == [(1, CopyState.ACCEPTED), (2, CopyState.ACCEPTED)]
