"""A change in the shop: the jobs that it concerns are scored again, moved where it is worth it, and not back again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
import redis

from tests.builders import calibration, job
from tests.store.dispatching import bound, moved, stock
from workers.model.fleet import Machine, MachineState, Nozzle
from workers.model.routing import Routing
from workers.planning.affected import WORTH, better_place
from workers.routing.decide import Router
from workers.store.claims import Taking
from workers.store.dispatch import Binding, DispatchRepository
from workers.store.stores import Stores, open_stores
from workers.tasks import follow_changes


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    return stock(open_stores(redis_client))


def put(stores: Stores, machine_id: str, state: MachineState) -> None:
    machine = stores.fleet.get(Machine, machine_id)
    stores.fleet.replace(replace(machine, state=state), machine.version, kind=state.value)


def moves(stores: Stores, job_id: str) -> list[dict]:
    return [dict(e.data) for e in stores.events.history(f"job/{job_id}") if e.kind == "job.moved"]


def on(stores: Stores, machine_id: str) -> list[str]:
    return [one.entry.name for one in stores.dispatch.get(machine_id).listed]


def noted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the jobs that are scored from now on."""
    scored: list[str] = []
    sound = Router.route

    def noting(self: Router, specs: list) -> list[Routing]:
        scored.extend(spec.name for spec in specs)
        return sound(self, specs)

    monkeypatch.setattr(Router, "route", noting)
    return scored


def test_the_jobs_of_a_machine_that_goes_down_are_moved_with_the_reason(stores: Stores) -> None:
    a, b = bound(stores, "a", "b")
    follow_changes(stores)
    put(stores, "m1", MachineState.DOWN)

    assert follow_changes(stores) == 2

    assert (on(stores, "m1"), on(stores, "m2")) == ([], ["a", "b"])
    (told,) = moves(stores, a)
    assert told["reason"] == "machine/m1 down: it cannot be printed where it was"
    assert (told["from"], told["machine_id"], told["nozzle_id"]) == ("m1", "m2", "n2")
    routing = stores.jobs.routing(b)
    assert routing is not None
    assert routing.chosen is not None
    assert routing.chosen.machine_id == "m2"
    assert follow_changes(stores) == 0


def test_a_machine_that_goes_up_and_down_does_not_toss_jobs_about(stores: Stores) -> None:
    (a,) = bound(stores, "a")
    for _ in range(4):
        put(stores, "m1", MachineState.DOWN)
        follow_changes(stores)
        put(stores, "m1", MachineState.UP)
        follow_changes(stores)
    assert len(moves(stores, a)) == 1


def test_an_unmounted_nozzle_moves_its_jobs(stores: Stores) -> None:
    (a,) = bound(stores, "a")
    follow_changes(stores)
    nozzle = stores.fleet.get(Nozzle, "n1")
    stores.fleet.replace(replace(nozzle, machine_id=None, slot=None), nozzle.version, kind="unmounted")
    assert follow_changes(stores) == 1
    assert stores.dispatch.machine_of(a) == "m2"


def test_only_what_is_concerned_is_scored_again(stores: Stores, monkeypatch: pytest.MonkeyPatch) -> None:
    bound(stores, "a", "b")
    stores.dispatch.move(moved(stores, "b", to="m2"))
    follow_changes(stores)
    scored = noted(monkeypatch)
    put(stores, "m2", MachineState.DOWN)
    follow_changes(stores)
    assert scored == ["b"]


def test_what_prints_or_is_pinned_stays(stores: Stores) -> None:
    bound(stores, "a", "b")
    stores.claims.take(Taking(machine_id="m1", claimant="x", lease_s=60.0, claim_id="c1"))
    pin = moved(stores, "b", to="m1")
    entry = replace(pin.listed.entry, pinned=True)
    stores.dispatch.move(replace(pin, listed=replace(pin.listed, entry=entry)))
    put(stores, "m1", MachineState.DOWN)
    assert follow_changes(stores) == 0
    assert sorted(on(stores, "m1")) == ["a", "b"]


def test_a_job_that_no_other_machine_can_print_keeps_its_place(stores: Stores) -> None:
    (a,) = bound(stores, "a")
    put(stores, "m2", MachineState.DOWN)
    put(stores, "m1", MachineState.DOWN)
    assert follow_changes(stores) == 0
    assert on(stores, "m1") == ["a"]
    assert moves(stores, a) == []


def test_a_gain_below_the_threshold_or_too_soon_moves_nothing(stores: Stores) -> None:
    bound(stores, "a")
    entry = stores.dispatch.get("m1").listed[0].entry
    routing = Router(stores.fleet.snapshot()).route([job("a")])[0]
    assert routing.chosen is not None
    there = next(one for one in routing.others if one.machine_id == "m2")

    def better_by(gain: float, moved_at: float | None = None, conceded: float = 0.0) -> object:
        chosen = replace(there, utility=routing.chosen.utility + gain)  # type: ignore[union-attr]
        changed = replace(routing, chosen=chosen, others=(routing.chosen,))  # type: ignore[arg-type]
        return better_place(changed, "m1", replace(entry, moved_at=moved_at, conceded=conceded), 10_000.0)

    assert better_by(WORTH * 0.9) is None
    assert better_by(WORTH * 1.1) is not None
    assert better_by(WORTH * 1.1, moved_at=9_000.0) is None
    assert better_by(WORTH * 1.1, moved_at=5_000.0) is not None
    assert better_by(WORTH * 1.1, conceded=WORTH) is None  # a plan knew of it, and had its reasons
    assert better_by(WORTH * 2.1, conceded=WORTH) is not None


def test_a_new_calibration_brings_the_jobs_of_its_material_up_for_a_look(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    bound(stores, "a")
    follow_changes(stores)
    scored = noted(monkeypatch)
    stores.fleet.create(calibration("n2", "pla", "m2"))
    follow_changes(stores)
    assert scored == ["a"]
    follow_changes(stores)
    assert scored == ["a"]


def test_a_job_bound_while_its_machine_went_down_is_looked_at_again(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = DispatchRepository.bind

    def late(self: DispatchRepository, bindings: Sequence[Binding]) -> int:
        put(stores, "m1", MachineState.DOWN)
        follow_changes(stores)
        return sound(self, bindings)

    monkeypatch.setattr(DispatchRepository, "bind", late)
    (a,) = bound(stores, "a")
    assert stores.dispatch.machine_of(a) == "m1"
    assert follow_changes(stores) == 1
    assert stores.dispatch.machine_of(a) == "m2"
