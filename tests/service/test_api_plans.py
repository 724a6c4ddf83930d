"""Plans over HTTP: asked for, followed, cancelled, put into force or refused."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from workers import tasks
from workers.tasks import long_tasks

PATH = "/v1/plans"
CLAIM = {"machine_id": "alder", "claimant": "agent on alder", "lease_s": 60}
QUICK = {"seconds": 1, "weights": {"quality": 0}}


def handed_in(api: Caller, *names: str, **changes: Any) -> list[str]:
    job_ids = [api.made("/v1/jobs", bodies.job(name=name, **changes))["id"] for name in names]
    tasks.drain_and_bind(api.stores, "test")
    return job_ids


def planned(api: Caller, **body: Any) -> dict[str, Any]:
    """A plan with its result."""
    made = api.made(PATH, QUICK | body)
    assert tasks.run_next(api.stores, "planner") == f"plan/{made['id']}"
    return dict(api.get(f"{PATH}/{made['id']}").json)


def names(api: Caller, machine_id: str) -> list[str]:
    return [entry["name"] for entry in api.get(f"/v1/machines/{machine_id}/dispatch-list").json["entries"]]


def kinds(api: Caller, subject: str) -> list[str]:
    return [event.kind for event in api.stores.events.after("0", 10_000) if event.subject == subject]


def down(api: Caller, machine_id: str) -> None:
    body = {"state": "down", "reason": "the part fan is broken"}
    answer = api.put(f"/v1/machines/{machine_id}/state", body, If_Match="*")
    assert answer.status_code == 200, answer.text


@pytest.fixture
def crowded(shop: Caller) -> Caller:
    """Four jobs on alder; then birch, alike, comes into the shop and has nothing to do."""
    shop.job_ids = handed_in(shop, "a", "b", "c", "d")  # type: ignore[attr-defined]
    shop.made("/v1/machines", bodies.machine(id="birch", name="Birch"))
    shop.made("/v1/nozzles", bodies.nozzle(id="n-040-2", machine_id="birch", slot=1))
    return shop


def test_a_plan_is_kept_and_queued_and_done_by_a_worker(crowded: Caller) -> None:
    answer = crowded.post(PATH, QUICK)
    assert answer.status_code == 202
    assert answer.headers["Location"] == answer.json["location"] == f"{PATH}/{answer.json['id']}"
    assert answer.headers["Retry-After"]
    assert crowded.stores.client.llen(f"rq:queue:{tasks.PLANNING_QUEUE}") == 1
    waiting = crowded.get(answer.json["location"])
    assert (waiting.json["state"], waiting.json["result"]) == ("waiting", None)
    tasks.run_next(crowded.stores, "planner")
    done = crowded.get(answer.json["location"])
    assert (done.json["state"], done.json["percent"]) == ("done", 100.0)
    assert done.headers["ETag"] == f'"{done.json["version"]}"'
    assert crowded.get(answer.json["location"], If_None_Match=done.headers["ETag"]).status_code == 304
    assert kinds(crowded, f"plan/{answer.json['id']}")[:2] == ["plan.waiting", "plan.running"]
    history = crowded.get(f"{answer.json['location']}/history").json["items"]
    assert [line["kind"] for line in history] == ["plan.waiting", "plan.running", "plan.done"]


def test_the_result_shares_the_queue_out_and_says_what_that_is_worth(crowded: Caller) -> None:
    result = planned(crowded)["result"]
    assert result["method"] == "enumeration"
    assert (result["jobs"], result["pairings"], result["gap"]) == (4, 8, 0.0)
    assert result["bound"] == pytest.approx(result["cost"])
    runs = {machine["machine_id"]: machine["runs"] for machine in result["machines"]}
    assert sorted(len(one) for one in runs.values()) == [2, 2]
    for machine_runs in runs.values():
        assert [run["position"] for run in machine_runs] == [1, 2]
        for before, after in pairwise(machine_runs):
            assert before["start_at"] < before["end_at"] <= after["start_at"]
    compared = result["comparison"]
    assert (compared["moved_jobs"], compared["stranded_jobs"]) == (2, 0)
    assert compared["planned"]["last_end_h"] < 0.6 * compared["today"]["last_end_h"]
    assert compared["planned"]["cost"] < compared["today"]["cost"]
    assert {one["rule"] for one in result["rules"]} >= {"first-free", "apparent-tardiness", "current"}


def test_nothing_moves_before_the_plan_is_applied_and_then_all_at_once(crowded: Caller) -> None:
    plan = planned(crowded)
    assert names(crowded, "alder") == ["a", "b", "c", "d"]
    moved = {run["job_id"] for m in plan["result"]["machines"] for run in m["runs"] if run["moved"]}

    applied = crowded.post(f"{plan['location']}/apply")

    assert applied.status_code == 200, applied.text
    assert applied.json["applied_at"] is not None
    assert applied.json["version"] == plan["version"] + 1
    for machine in plan["result"]["machines"]:
        assert names(crowded, machine["machine_id"]) == [run["name"] for run in machine["runs"]]
    for job_id in crowded.job_ids:  # type: ignore[attr-defined]
        told = kinds(crowded, f"job/{job_id}").count("job.moved")
        assert told == (job_id in moved)
        if job_id in moved:
            last = crowded.get(f"/v1/jobs/{job_id}/history").json["items"][-1]
            assert plan["id"] in last["data"]["reason"]
            routing = crowded.get(f"/v1/jobs/{job_id}/routing").json["routing"]
            assert routing["chosen"]["machine_id"] == "birch"
            assert plan["id"] in routing["notes"][-1]
    assert kinds(crowded, f"plan/{plan['id']}")[-1] == "plan.applied"
    again = crowded.post(f"{plan['location']}/apply")
    assert (again.status_code, again.json["type"]) == (409, "urn:borewright:problem:conflict")


def test_a_late_job_behind_a_calm_one_is_put_ahead_and_only_one_of_them_is_told_of(shop: Caller) -> None:
    job_ids = [*handed_in(shop, "calm"), *handed_in(shop, "late", due_at="2026-01-01T00:00:00Z")]
    body = {"job_id": job_ids[0], "position": 1}
    assert shop.post("/v1/machines/alder/dispatch-list/moves", body, If_Match="*").status_code == 200
    assert names(shop, "alder") == ["calm", "late"]
    routings = [shop.get(f"/v1/jobs/{one}/routing").json for one in job_ids]
    before = len([one for job_id in job_ids for one in kinds(shop, f"job/{job_id}") if one == "job.moved"])

    plan = planned(shop)
    assert shop.post(f"{plan['location']}/apply").status_code == 200

    assert names(shop, "alder") == ["late", "calm"]
    compared = plan["result"]["comparison"]
    assert (compared["moved_jobs"], compared["reordered_jobs"]) == (0, 1)
    assert compared["planned"]["weighted_lateness_h"] < compared["today"]["weighted_lateness_h"]
    after = len([one for job_id in job_ids for one in kinds(shop, f"job/{job_id}") if one == "job.moved"])
    assert after == before + 1
    assert [shop.get(f"/v1/jobs/{one}/routing").json for one in job_ids] == routings


@pytest.mark.parametrize("what", ["claim", "shop", "cancel", "new job"])
def test_a_plan_of_a_shop_that_has_changed_is_refused_and_touches_nothing(crowded: Caller, what: str) -> None:
    plan = planned(crowded)
    if what == "claim":
        crowded.made("/v1/claims", CLAIM)
        words = "claim.taken"
    elif what == "shop":
        down(crowded, "birch")
        words = "machine/birch"
    elif what == "cancel":
        crowded.post(f"/v1/jobs/{crowded.job_ids[0]}/cancellation", {})  # type: ignore[attr-defined]
        words = f"job/{crowded.job_ids[0]} cancelled"  # type: ignore[attr-defined]
    else:
        handed_in(crowded, "e")
        words = "bound"
    before = [names(crowded, machine_id) for machine_id in ("alder", "birch")]

    answer = crowded.post(f"{plan['location']}/apply")

    assert (answer.status_code, answer.json["type"]) == (409, "urn:borewright:problem:plan-stale")
    assert words.split(".")[-1] in answer.json["detail"]
    assert [names(crowded, machine_id) for machine_id in ("alder", "birch")] == before
    assert "plan.applied" not in kinds(crowded, f"plan/{plan['id']}")
    assert not any("job.moved" in kinds(crowded, f"job/{one}") for one in crowded.job_ids)  # type: ignore[attr-defined]


def test_pinned_and_begun_jobs_stay_with_those_ahead_of_them(crowded: Caller) -> None:
    claim = crowded.made("/v1/claims", CLAIM)
    body = {"job_id": crowded.job_ids[2], "position": 2, "pinned": True}  # type: ignore[attr-defined]
    moved = crowded.post("/v1/machines/alder/dispatch-list/moves", body, If_Match="*")
    assert moved.status_code == 200, moved.text
    result = planned(crowded)["result"]
    (alder, birch) = result["machines"]
    assert (alder["machine_id"], alder["kept"], birch["kept"]) == ("alder", 2, 0)
    runs = {run["job_id"] for machine in result["machines"] for run in machine["runs"]}
    assert runs == {crowded.job_ids[1], crowded.job_ids[3]}  # type: ignore[attr-defined]
    assert claim["job_id"] not in runs
    assert alder["free_at"] > birch["free_at"]


def test_only_the_jobs_named_may_move(crowded: Caller) -> None:
    job_ids = crowded.job_ids  # type: ignore[attr-defined]
    result = planned(crowded, job_ids=[job_ids[3]])["result"]
    assert result["comparison"]["moved_jobs"] == 1
    assert [run["job_id"] for run in result["machines"][1]["runs"]] == [job_ids[3]]


def test_a_machine_that_is_down_is_left_out_and_its_jobs_go_elsewhere(crowded: Caller) -> None:
    down(crowded, "alder")
    plan = planned(crowded)
    assert [one["machine_id"] for one in plan["result"]["machines"]] == ["birch"]
    assert plan["result"]["comparison"]["stranded_jobs"] == 4
    assert crowded.post(f"{plan['location']}/apply").status_code == 200
    assert (names(crowded, "alder"), len(names(crowded, "birch"))) == ([], 4)


def test_a_job_that_nothing_can_print_now_is_left_out_with_the_reason(shop: Caller) -> None:
    (job_id,) = handed_in(shop, "a")
    down(shop, "alder")
    result = planned(shop)["result"]
    assert result["method"] == "nothing-to-plan"
    (left_out,) = result["left_out"]
    assert (left_out["job_id"], left_out["machine_id"]) == (job_id, "alder")
    assert "no machine" in left_out["reason"]


def test_an_empty_queue_is_planned_at_once(shop: Caller) -> None:
    plan = planned(shop)
    assert (plan["state"], plan["result"]["jobs"]) == ("done", 0)
    assert shop.post(f"{plan['location']}/apply").status_code == 200


def test_a_cancel_before_it_begins_ends_it_and_there_is_nothing_to_apply(crowded: Caller) -> None:
    made = crowded.made(PATH, QUICK)
    stale = crowded.post(f"{made['location']}/cancellation", {}, If_Match='"99"')
    assert stale.status_code == 412
    cancelled = crowded.post(f"{made['location']}/cancellation", {"reason": "not now"}, If_Match='"1"')
    assert (cancelled.status_code, cancelled.json["state"]) == (200, "cancelled")
    assert tasks.run_next(crowded.stores, "planner") is None
    assert crowded.post(f"{made['location']}/cancellation", {}).status_code == 409
    assert crowded.post(f"{made['location']}/apply").status_code == 409
    assert crowded.get(f"{made['location']}").json["result"] is None


def test_a_cancel_while_it_runs_keeps_the_best_so_far_which_can_be_applied(
    crowded: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twelve jobs are too many to go through them all: the search would take its ten minutes."""
    monkeypatch.setattr(long_tasks, "RENEW_S", 0.01)
    handed_in(crowded, *"efghijkl")
    made = crowded.made(PATH, {"seconds": 600})
    real = tasks.long_tasks.RUNNERS["plan"]

    def cancelled_soon(stores: Any, task: Any, hand: Any) -> bytes:
        crowded.post(f"{made['location']}/cancellation", {})
        return real(stores, task, hand)

    monkeypatch.setitem(tasks.long_tasks.RUNNERS, "plan", cancelled_soon)
    tasks.run_next(crowded.stores, "planner")
    plan = crowded.get(made["location"]).json
    assert (plan["state"], plan["result"]["cancelled"], plan["result"]["jobs"]) == ("cancelled", True, 12)
    assert plan["result"]["comparison"]["planned"]["cost"] <= plan["result"]["comparison"]["today"]["cost"]
    assert crowded.post(f"{made['location']}/apply").status_code == 200


def test_a_plan_asked_for_twice_with_one_key_is_one_plan(shop: Caller) -> None:
    first, second = (shop.post(PATH, QUICK, Idempotency_Key='"monday"') for _ in range(2))
    assert (first.status_code, first.json) == (second.status_code, second.json)
    assert len(shop.get(PATH).json["items"]) == 1
    assert shop.post(PATH, QUICK | {"seed": 2}, Idempotency_Key='"monday"').status_code == 422


def test_plans_are_listed_newest_first_in_pages(shop: Caller) -> None:
    made = [shop.made(PATH, QUICK | {"seed": seed})["id"] for seed in range(3)]
    first = shop.get(f"{PATH}?limit=2").json
    assert [one["id"] for one in first["items"]] == made[:0:-1]
    assert first["items"][0]["seed"] == 2
    rest = shop.get(f"{PATH}?limit=2&cursor={first['next_cursor']}").json
    assert ([one["id"] for one in rest["items"]], rest["next_cursor"]) == (made[:1], None)


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"seconds": 0.5}, "/seconds"),
        ({"seconds": 601}, "/seconds"),
        ({"seed": -1}, "/seed"),
        ({"weights": {"tardiness": -1}}, "/weights/tardiness"),
        ({"weights": {"speed": 1}}, "/weights/speed"),
        (
            {"weights": dict.fromkeys(("tardiness", "makespan", "flow", "setup", "failure", "quality"), 0)},
            "/weights",
        ),
        ({"job_ids": []}, "/job_ids"),
        ({"job_ids": ["unknown"]}, "/job_ids/0"),
    ],
)
def test_a_bad_body_is_pointed_at(shop: Caller, body: dict[str, Any], pointer: str) -> None:
    answer = shop.post(PATH, body)
    assert (answer.status_code, answer.json["errors"][0]["pointer"]) == (422, pointer)
    assert answer.mimetype == "application/problem+json"
    assert shop.get(PATH).json["items"] == []


def test_what_is_not_there_is_said(shop: Caller) -> None:
    for answer in (
        shop.get(f"{PATH}/nothing"),
        shop.get(f"{PATH}/nothing/history"),
        shop.post(f"{PATH}/nothing/apply"),
        shop.post(f"{PATH}/nothing/cancellation", {}),
    ):
        assert (answer.status_code, answer.mimetype) == (404, "application/problem+json")
