"""A shop of more machines alike than a routing names: all of them get work."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest
import redis

from tests.builders import block, job, machine, nozzle, plain, spool
from tests.store.dispatching import bound
from workers.model.fleet import Machine, MachineState
from workers.model.routing import Candidate
from workers.routing.decide import OTHERS, Router
from workers.store.stores import Stores, open_stores
from workers.tasks import follow_changes
from workers.tasks.routing import drain_inbox
from workers.tasks.wider import widened

MACHINES = 14


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    stores = open_stores(redis_client)
    for thing in (plain(), spool("pla")):
        stores.fleet.create(thing)
    for i in range(MACHINES):
        slower = {"acceleration_mm_s2": 2500.0} if i % 2 else {}
        stores.fleet.create(machine(f"m{i:02}", nozzle_slots=1, **slower))
        stores.fleet.create(nozzle(f"n{i:02}", 0.4, f"m{i:02}"))
    stores.inbox.prepare()
    return stores


def test_every_machine_gets_work(stores: Stores) -> None:
    bound(stores, *[f"job {i}" for i in range(3 * MACHINES)], due_at=time.time(), summary=block(70, 70, 40))
    lengths = [len(stores.dispatch.get(one.id).listed) for one in stores.fleet.snapshot().machines]
    assert sum(lengths) == 3 * MACHINES
    assert (min(lengths), max(lengths)) in {(2, 4), (3, 3), (2, 3)}


def test_what_is_added_is_measured_as_the_routing_itself_would(stores: Stores) -> None:
    """Against all pairings ranked in one pass: the same pairings, utilities and time scores."""
    [job_id] = stores.jobs.accept([job("a", summary=block(70, 70, 40))])
    drain_inbox(stores, "t")
    shop = stores.fleet.snapshot()
    [wide] = widened(stores, shop, time.time(), stores.dispatch.routed([job_id]))
    assert len(wide.others) == MACHINES - 1 > OTHERS
    whole = {one.machine_id: one for one in _all_candidates(stores)}
    for one in (wide.chosen, *wide.others):
        assert one.utility == pytest.approx(whole[one.machine_id].utility, abs=1e-9)
        assert one.scores.time == pytest.approx(whole[one.machine_id].scores.time, abs=1e-9)
    assert len({one.machine_id for one in wide.others}) == MACHINES - 1


def _all_candidates(stores: Stores) -> list[Candidate]:
    return Router(stores.fleet.snapshot(), time.time()).pairings([job("a", summary=block(70, 70, 40))])[0]


def test_a_machine_that_comes_up_is_seen_where_the_routing_does_not_name_it(stores: Stores) -> None:
    """The last of many machines alike comes up while the others have more than they can do in time."""
    last = f"m{MACHINES - 1:02}"
    kept = stores.fleet.get(Machine, last)
    down = stores.fleet.replace(replace(kept, state=MachineState.DOWN), kept.version, kind="down")
    bound(stores, *[f"job {i}" for i in range(3 * MACHINES)], due_at=time.time(), summary=block(80, 80, 60))
    follow_changes(stores)
    stores.fleet.replace(replace(down, state=MachineState.UP), down.version, kind="up")
    assert follow_changes(stores) >= 1
    assert stores.dispatch.get(last).listed
