"""A change in the shop: the jobs that it concerns are scored again, moved where it is worth it, and not back again."""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from dataclasses import replace

import pytest
import redis

from tests.builders import block, calibration, curves, job, machine, nozzle, plain, spool
from tests.store.dispatching import bound, moved, stock
from workers.model.dispatch import Claim
from workers.model.fleet import Machine, MachineState, Material, Nozzle, Spool
from workers.model.job import Emphasis
from workers.model.outcome import Report
from workers.model.routing import Routing
from workers.planning.affected import SHORT_G, Better, better_place
from workers.planning.where import WORTH, WORTH_H
from workers.routing.decide import Router
from workers.store.claims import Nothing, Taking, new_claim_id
from workers.store.dispatch import Binding, DispatchRepository
from workers.store.stores import Stores, open_stores
from workers.tasks import follow_changes, record_outcomes


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
    listed = stores.dispatch.get("m1").listed[0]
    routing = Router(stores.fleet.snapshot()).route([job("a")])[0]
    assert routing.chosen is not None
    there = next(one for one in routing.others if one.machine_id == "m2")

    here = routing.chosen

    def better_by(gain: float, moved_at: float | None = None, conceded: float = 0.0, **stands: int) -> object:
        better = replace(there, utility=here.utility + gain)
        moved_before = replace(listed, entry=replace(listed.entry, moved_at=moved_at, conceded=conceded), **stands)
        return better_place((better, here), here, moved_before, 10_000.0)

    assert better_by(WORTH * 0.9) is None
    assert better_by(WORTH * 1.1) is not None
    assert better_by(WORTH * 1.1, moved_at=9_000.0) is None
    assert better_by(WORTH * 1.1, moved_at=5_000.0) is not None
    assert better_by(WORTH * 1.1, conceded=WORTH) is None  # a plan knew of it, and had its reasons
    assert better_by(WORTH * 2.1, conceded=WORTH) is not None
    assert better_by(WORTH * 1.1, accepted=1) is None


def test_as_good_a_machine_must_save_more_than_the_threshold(stores: Stores) -> None:
    """A list that costs 3 weighted hours here and 1 there saves 2; 0.05 in utility are worth 0.5 of them."""
    bound(stores, "a")
    listed = stores.dispatch.get("m1").listed[0]
    routing = Router(stores.fleet.snapshot()).route([job("a")])[0]
    assert routing.chosen is not None
    here = routing.chosen
    there = replace(next(one for one in routing.others if one.machine_id == "m2"), utility=here.utility - 0.05)

    def better(costs_here: float) -> object:
        return better_place((here, there), here, listed, 0.0, lambda one: costs_here if one is here else 1.0)

    assert better(1.0 + WORTH_H + 0.5 - 0.01) is None
    found = better(3.0)
    assert isinstance(found, Better)
    assert (found.candidate, found.reason) == (there, "saves 1.5 weighted hours late, waited and set up")


def test_a_machine_that_comes_up_relieves_the_others_where_that_is_worth_it(stores: Stores) -> None:
    """Everything is due now and on one machine; what moves says why, and what would save too little stays."""
    put(stores, "m2", MachineState.DOWN)
    job_ids = bound(stores, *"abcdefgh", due_at=time.time(), summary=block(80, 80, 60))
    assert on(stores, "m2") == []
    follow_changes(stores)
    put(stores, "m2", MachineState.UP)
    assert follow_changes(stores) >= 2
    assert len(on(stores, "m2")) >= 2
    told = next(moves(stores, one)[0] for one in job_ids if moves(stores, one))
    assert re.fullmatch(r"machine/m2 up: saves \d+\.\d weighted hours late, waited and set up", told["reason"])
    assert follow_changes(stores) == 0


def test_a_machine_that_comes_up_without_need_changes_nothing(stores: Stores) -> None:
    put(stores, "m2", MachineState.DOWN)
    bound(stores, "a", "b")
    follow_changes(stores)
    put(stores, "m2", MachineState.UP)
    assert follow_changes(stores) == 0


def test_a_better_nozzle_draws_the_jobs_that_gain_by_it(stores: Stores) -> None:
    """A narrow bore on the other machine, for a part whose ribs of 0.3 mm no bead of a 0.4 bore can lay."""
    fine = Emphasis(detail=0.85, fit=0.05, clog=0.05, time=0.05)
    (a,) = bound(stores, "a", summary=block(curves=curves(0.3)), emphasis=fine)
    assert stores.dispatch.machine_of(a) == "m1"
    follow_changes(stores)
    off = stores.fleet.get(Nozzle, "n2")
    stores.fleet.replace(replace(off, machine_id=None, slot=None), off.version, kind="unmounted")
    narrow = nozzle("narrow", 0.25, None)
    stores.fleet.create(narrow)
    stores.fleet.replace(replace(narrow, machine_id="m2", slot=1), 1, kind="mounted")
    assert follow_changes(stores) == 1
    (told,) = moves(stores, a)
    assert re.fullmatch(r"nozzle/narrow mounted: gain \d\.\d\d in utility", told["reason"])
    assert told["nozzle_id"] == "narrow"


def test_evidence_brings_up_the_jobs_of_its_material_and_then_rests(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    stores.fleet.create(plain("petg"))
    stores.fleet.create(spool("petg"))
    bound(stores, "a", "b", "c", quantity=3)
    bound(stores, "other", material="petg")
    follow_changes(stores)
    finished(stores)
    scored = noted(monkeypatch)
    follow_changes(stores)
    assert sorted(scored) == ["a", "b", "c"]
    finished(stores)
    follow_changes(stores)
    assert sorted(scored) == ["a", "b", "c"]  # it rests
    stores.client.delete(stores.keys.lock("evidence-rest:pla"))
    follow_changes(stores)
    assert sorted(scored) == ["a", "a", "b", "b", "c", "c"]  # and is not forgotten


def finished(stores: Stores) -> None:
    claim = stores.claims.take(Taking(machine_id="m1", claimant="x", lease_s=60.0, claim_id=new_claim_id()))
    assert isinstance(claim, Claim)
    stores.claims.finish(claim.id, Report(accepted=True))
    record_outcomes(stores)


def test_a_spool_that_runs_low_brings_up_its_jobs_and_a_full_one_does_not(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    bound(stores, "a", quantity=4)
    stores.client.set(stores.keys.lock("evidence-rest:pla"), "1")  # only the spool is looked at here
    follow_changes(stores)
    scored = noted(monkeypatch)
    finished(stores)
    follow_changes(stores)
    assert scored == []
    kept = stores.fleet.get(Spool, "spool-pla")
    stores.fleet.replace(replace(kept, remaining_g=SHORT_G), kept.version, kind="used")
    finished(stores)
    follow_changes(stores)
    assert scored == ["a"]


def test_copies_that_wait_for_a_nozzle_that_was_taken_off_are_moved(stores: Stores) -> None:
    (a,) = bound(stores, "a", quantity=3)
    finished(stores)
    nozzle_1 = stores.fleet.get(Nozzle, "n1")
    stores.fleet.replace(replace(nozzle_1, machine_id=None, slot=None), nozzle_1.version, kind="unmounted")
    assert follow_changes(stores) == 1
    assert stores.dispatch.machine_of(a) == "m2"


def test_a_nozzle_taken_off_in_the_middle_of_a_copy_is_noticed_when_the_next_is_asked_for(stores: Stores) -> None:
    (a,) = bound(stores, "a", quantity=3)
    claim = stores.claims.take(Taking(machine_id="m1", claimant="x", lease_s=60.0, claim_id="c1"))
    nozzle_1 = stores.fleet.get(Nozzle, "n1")
    stores.fleet.replace(replace(nozzle_1, machine_id=None, slot=None), nozzle_1.version, kind="unmounted")
    assert follow_changes(stores) == 0
    stores.claims.finish("c1", Report(accepted=True))
    assert isinstance(stores.claims.take(replace_id(claim, "c2")), Nothing)
    assert follow_changes(stores) == 1
    assert stores.dispatch.machine_of(a) == "m2"


def replace_id(claim: Claim | Nothing, claim_id: str) -> Taking:
    assert isinstance(claim, Claim)
    return Taking(machine_id=claim.machine_id, claimant="x", lease_s=60.0, claim_id=claim_id)


def test_a_place_that_the_routing_has_no_room_to_name_is_not_taken_for_impossible(stores: Stores) -> None:
    """Eight more machines that print the job as well push its own off the list of the best few."""
    (a,) = bound(stores, "a")
    follow_changes(stores)
    for number in range(8):
        stores.fleet.create(machine(f"a{number}", nozzle_slots=1))
        stores.fleet.create(nozzle(f"na{number}", 0.4, f"a{number}"))
    stores.fleet.create(calibration("n1", "pla", "m1"))
    routing = Router(stores.fleet.snapshot()).route([stores.jobs.get(a).spec])[0]
    follow_changes(stores)
    assert routing.chosen is not None
    assert [move["reason"] for move in moves(stores, a)] == []


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


def test_a_spool_that_time_has_made_wet_brings_up_its_jobs_once(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    material, kept = stores.fleet.get(Material, "pla"), stores.fleet.get(Spool, "spool-pla")
    stores.fleet.replace(replace(material, moisture_limit_h=10.0, drying_h=4.0), material.version)
    stores.fleet.replace(replace(kept, dried_at=time.time() - 9.5 * 3600.0), kept.version)
    bound(stores, "a")
    follow_changes(stores)
    scored, begin = noted(monkeypatch), time.time()
    follow_changes(stores)
    assert scored == []
    monkeypatch.setattr(time, "time", lambda: begin + 3600.0)
    follow_changes(stores)
    assert scored == ["a"]
    monkeypatch.setattr(time, "time", lambda: begin + 7200.0)
    follow_changes(stores)
    assert scored == ["a"]
