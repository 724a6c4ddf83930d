"""Dispatch lists on a real Redis: every routed job is on exactly one list, in its place."""

from __future__ import annotations

import threading
import time
from collections import Counter
from dataclasses import replace
from itertools import pairwise

import pytest
import redis

from tests.builders import block, job
from tests.store.dispatching import bound, moved, stock
from workers.model.errors import ConflictError, VersionMismatchError
from workers.model.fleet import Machine, MachineState
from workers.model.job import JobState
from workers.store.stores import Stores, open_stores
from workers.tasks.dispatch import bind_all, bind_routed
from workers.tasks.routing import drain_and_bind, drain_inbox


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    return stock(open_stores(redis_client))


def order(stores: Stores, machine_id: str = "m1") -> list[str]:
    return [one.entry.name for one in stores.dispatch.get(machine_id).listed]


def kinds(stores: Stores, job_id: str) -> list[str]:
    return [entry.kind for entry in stores.events.history(f"job/{job_id}")]


def test_a_routed_job_is_bound_to_the_machine_it_was_routed_to(stores: Stores) -> None:
    (job_id,) = stores.jobs.accept([job("bracket", quantity=3)])
    drain_inbox(stores, "a")
    assert bind_routed(stores) == 1

    record, routing = stores.jobs.get(job_id), stores.jobs.routing(job_id)
    assert record.state is JobState.BOUND
    assert routing is not None
    assert routing.chosen is not None
    (listed,) = stores.dispatch.get(routing.chosen.machine_id).listed
    assert (listed.entry.job_id, listed.waiting) == (job_id, 3)
    assert stores.dispatch.machine_of(job_id) == routing.chosen.machine_id
    assert kinds(stores, job_id) == ["job.accepted", "job.routed", "job.bound"]


def test_binding_twice_binds_once(stores: Stores) -> None:
    (job_id,) = bound(stores, "a")
    assert bind_routed(stores) == 0
    assert kinds(stores, job_id).count("job.bound") == 1


def test_many_binders_at_once_put_each_job_on_one_list(redis_url: str, stores: Stores) -> None:
    job_ids = stores.jobs.accept([job(f"part {i}") for i in range(60)])
    drain_inbox(stores, "a")

    def work() -> None:
        own = open_stores(redis.Redis.from_url(redis_url))
        while own.dispatch.to_bind(1):
            bind_routed(own, 7)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    on_lists = Counter(one.entry.job_id for m in ("m1", "m2") for one in stores.dispatch.get(m).listed)
    assert on_lists == Counter(job_ids)
    told = Counter(event.subject for event in stores.events.after("0", 1000) if event.kind == "job.bound")
    assert set(told.values()) == {1}
    assert len(told) == 60


def test_the_urgent_job_goes_ahead(stores: Stores) -> None:
    bound(stores, "long", "longer")
    bound(stores, "urgent", due_at=time.time() + 1200)
    assert order(stores)[0] == "urgent"


def test_a_job_whose_machine_went_down_before_it_was_bound_is_routed_anew(stores: Stores) -> None:
    (job_id,) = stores.jobs.accept([job("a")])
    drain_inbox(stores, "a")
    first = stores.jobs.routing(job_id)
    assert first is not None
    assert first.chosen is not None
    down = stores.fleet.get(Machine, first.chosen.machine_id)
    stores.fleet.replace(replace(down, state=MachineState.DOWN), down.version)

    drain_and_bind(stores, "a")

    assert stores.jobs.get(job_id).state is JobState.BOUND
    assert stores.dispatch.machine_of(job_id) == {"m1": "m2", "m2": "m1"}[down.id]


def test_a_cancelled_job_leaves_its_list(stores: Stores) -> None:
    job_id, other = bound(stores, "a", "b")
    stores.jobs.cancel(job_id)
    assert order(stores) == ["b"]
    assert stores.dispatch.machine_of(job_id) is None
    assert stores.jobs.get(other).state is JobState.BOUND


def test_a_bound_job_can_be_routed_anew_and_is_bound_again(stores: Stores) -> None:
    (job_id,) = bound(stores, "a")
    stores.jobs.retry(job_id)
    assert order(stores) == []
    drain_and_bind(stores, "a")
    assert order(stores) == ["a"]
    assert stores.jobs.get(job_id).attempt == 2


def test_a_move_changes_the_order_or_the_machine(stores: Stores) -> None:
    bound(stores, "a", "b", "c")
    stores.dispatch.move(moved(stores, "c", to="m1"))
    assert order(stores) == ["c", "a", "b"]
    stores.dispatch.move(moved(stores, "a", to="m2"))
    assert (order(stores), order(stores, "m2")) == (["c", "b"], ["a"])


def test_a_move_of_a_list_that_has_changed_is_refused(stores: Stores) -> None:
    bound(stores, "a", "b")
    seen = stores.dispatch.get("m1").version
    bound(stores, "c")
    with pytest.raises(VersionMismatchError):
        stores.dispatch.move(moved(stores, "b", to="m1", from_version=seen))
    assert order(stores) == ["a", "b", "c"]


def test_a_job_that_left_the_list_cannot_be_moved(stores: Stores) -> None:
    (job_id,) = bound(stores, "a")
    late = moved(stores, "a", to="m2")
    stores.jobs.cancel(job_id)
    with pytest.raises(ConflictError):
        stores.dispatch.move(late)
    assert order(stores, "m2") == []


def test_a_crowded_list_is_spread_out_in_its_order(stores: Stores) -> None:
    job_ids = bound(stores, "a", "b")
    name = stores.keys.dispatch_list("m1")
    stores.client.zadd(name, {job_ids[0]: 1.0, job_ids[1]: 1.0 + 1e-12})
    bound(stores, "c")
    assert order(stores) == ["a", "b", "c"]
    places = [one.place for one in stores.dispatch.get("m1").listed]
    assert min(b - a for a, b in pairwise(places)) > 100.0


def test_jobs_that_wait_to_be_routed_go_before_binding(stores: Stores) -> None:
    stores.jobs.accept([job("a")])
    drain_inbox(stores, "a")
    stores.jobs.accept([job("b")])
    drain_and_bind(stores, "a")
    assert sorted(order(stores)) == ["a", "b"]
    assert bind_all(stores) == 0


def test_jobs_go_to_as_good_a_machine_where_they_wait_less_and_their_routing_says_why(stores: Stores) -> None:
    """Two machines alike: by the routing alone all jobs would queue at the first."""
    job_ids = bound(stores, *"abcdefgh", due_at=time.time() + 3600.0, summary=block(80, 80, 40))
    lengths = [len(stores.dispatch.get(one).listed) for one in ("m1", "m2")]
    assert sum(lengths) == 8
    assert min(lengths) >= 3
    moved_on = next(one for one in job_ids if stores.dispatch.machine_of(one) == "m2")
    routing = stores.jobs.routing(moved_on)
    assert routing is not None
    assert routing.chosen is not None
    assert routing.chosen.machine_id == "m2"
    assert routing.others[0].machine_id == "m1"
    assert routing.notes[-1].startswith("Put on the list of m2: as good as m1 (0.01 less in utility), and saves ")
    line = next(one for one in stores.events.history(f"job/{moved_on}") if one.kind == "job.bound")
    assert line.data["reason"] in routing.notes[-1]
