"""Any interleaving of claims, lapses, moves and cancellations on a real Redis keeps the promises of the lists.

The model is a plain dictionary of copies; the store is asked after each step.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
import redis
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    initialize,
    invariant,
    multiple,
    rule,
    run_state_machine_as_test,
)

from tests.builders import job
from tests.store.dispatching import lapse_now, moved, stock
from workers.model.dispatch import Claim, ClaimState, CopyState, DispatchList
from workers.model.errors import ConflictError
from workers.model.fleet import Spool
from workers.model.job import JobState
from workers.model.long_task import TaskState
from workers.model.outcome import Report
from workers.model.plan import ListVersion
from workers.model.routing import Routing
from workers.routing.decide import Router
from workers.store.claims import BusyError, ClaimOverError, Nothing, Taking, new_claim_id
from workers.store.inbox import Result
from workers.store.plans import Application, Placing
from workers.store.stores import Stores, open_stores
from workers.tasks import record_outcomes
from workers.tasks.dispatch import bind_routed

MACHINES = ("m1", "m2")
NOZZLES = {"m1": "n1", "m2": "n2"}
ENDED = (JobState.DONE, JobState.SCRAPPED, JobState.CANCELLED)


class Lists(RuleBasedStateMachine):
    """held: claim -> (job, copy) while its lease stands; ended: (job, copy) -> claim that ended it."""

    client: redis.Redis
    claims = Bundle("claims")

    @initialize(first=st.integers(1, 2))
    def open_the_shop(self, first: int) -> None:
        self.client.flushall()
        self.stores: Stores = stock(open_stores(self.client))
        self.routing: Routing = Router(self.stores.fleet.snapshot()).route([job()])[0]
        self.jobs: dict[str, int] = {}
        self.cancelled: set[str] = set()
        self.held: dict[str, tuple[str, int]] = {}
        self.all: dict[str, tuple[str, int]] = {}
        self.ended: dict[tuple[str, int], str] = {}
        self.hand_in(first)

    def teardown(self) -> None:
        if hasattr(self, "stores"):
            self.finish_everything()

    @rule(quantity=st.integers(1, 2))
    def another_job(self, quantity: int) -> None:
        self.hand_in(quantity)

    def hand_in(self, quantity: int) -> None:
        (job_id,) = self.stores.jobs.accept([job(f"j{len(self.jobs)}", quantity=quantity)])
        self.jobs[job_id] = quantity
        self._route()
        bind_routed(self.stores)

    @rule()
    def bind(self) -> None:
        bind_routed(self.stores)

    @rule(target=claims, number=st.integers(0, 3), claimant=st.sampled_from(["ann", "bo"]))
    def take(self, number: int, claimant: str) -> object:
        return self._take(self._machine(number), claimant)

    @rule(target=claims, claim_id=claims, late=st.sampled_from(["finish", "renew", "nothing"]), ends=st.booleans())
    def somebody_takes_over(self, claim_id: str, late: str, ends: bool) -> object:
        """The lease lapses, another claims (and may be done), and the first comes back late."""
        self.lapse(claim_id)
        taken = self._take(self.stores.claims.get(claim_id).machine_id, "somebody else")
        if ends and isinstance(taken, str):
            self.finish(taken, True, False)
        if late != "nothing":
            self._act(claim_id, late, accepted=True, remake=False)
        return taken

    @rule(
        claim_id=claims,
        what=st.sampled_from(["lapse", "renew", "give back", "finish", "finish"]),
        accepted=st.booleans(),
        remake=st.booleans(),
    )
    def the_claimant(self, claim_id: str, what: str, accepted: bool, remake: bool) -> None:
        self._act(claim_id, what, accepted=accepted, remake=remake)

    def _act(self, claim_id: str, what: str, *, accepted: bool, remake: bool) -> None:
        """One rule for all of these: rules are left out of whole runs at random, and these belong together."""
        if what == "lapse":
            self.lapse(claim_id)
        elif what == "renew":
            self.renew(claim_id, 0.3)
        elif what == "give back":
            self.give_back(claim_id)
        else:
            self.finish(claim_id, accepted, remake)

    def _machine(self, number: int) -> str:
        """One that has work, if any has."""
        with_work = [one for one in MACHINES if self.stores.dispatch.get(one).listed] or MACHINES
        return with_work[number % len(with_work)]

    def _take(self, machine_id: str, claimant: str) -> object:
        request = Taking(machine_id=machine_id, claimant=claimant, lease_s=600.0, claim_id=new_claim_id())
        try:
            claim = self.stores.claims.take(request)
        except BusyError:
            assert any(self.stores.claims.get(one).machine_id == machine_id for one in self.held)
            return multiple()
        if isinstance(claim, Nothing):
            return multiple()
        copy = (claim.job_id, claim.copy)
        assert copy not in self.held.values(), "a copy with two claimants"
        assert copy not in self.ended, "a copy that had ended was given out"
        assert claim.job_id not in self.cancelled
        self.held[claim.id] = self.all[claim.id] = copy
        return claim.id

    def lapse(self, claim_id: str) -> None:
        if claim_id in self.held:
            lapse_now(self.stores, claim_id)
            del self.held[claim_id]

    def renew(self, claim_id: str, progress: float) -> None:
        try:
            self.stores.claims.renew(claim_id, progress)
        except ClaimOverError:
            assert claim_id not in self.held
            return
        copy = self.all[claim_id]
        assert copy not in self.ended
        assert claim_id in self.held or copy not in self.held.values()
        self.held[claim_id] = copy

    def give_back(self, claim_id: str) -> None:
        try:
            self.stores.claims.give_back(claim_id)
        except ClaimOverError:
            assert claim_id not in self.held
            return
        del self.held[claim_id]

    def finish(self, claim_id: str, accepted: bool, remake: bool) -> None:
        copy = self.all[claim_id]
        before = self.stores.claims.get(claim_id)
        was_over = before.state in (ClaimState.FINISHED, ClaimState.GIVEN_BACK)
        free = copy not in self.ended and copy not in self.held.values() and copy[0] not in self.cancelled
        try:
            self.stores.claims.finish(claim_id, Report(accepted=accepted), remake=remake)
        except ClaimOverError:
            assert claim_id not in self.held
            assert was_over or not free, "a late finish of a free copy was refused"
            return
        if before.state is ClaimState.FINISHED:
            return  # the same report again
        assert claim_id in self.held or free, "a late finish of a copy that was not free was taken"
        self.held.pop(claim_id, None)
        if accepted or not remake:
            self.ended[copy] = claim_id

    @rule(number=st.integers(0, 20), to=st.sampled_from(MACHINES))
    def move(self, number: int, to: str) -> None:
        listed = [(one, m) for m in MACHINES for one in self.stores.dispatch.get(m).listed]
        if listed:
            one, machine_id = listed[number % len(listed)]
            try:
                self.stores.dispatch.move(moved(self.stores, one.entry.name, to=to, machine_id=machine_id))
            except ConflictError:
                assert one.held
                assert machine_id != to

    @rule(claim_id=claims | st.none(), meanwhile=st.sampled_from(["nothing", "lapse", "finish", "take", "another job"]))
    def apply_a_plan(self, claim_id: str | None, meanwhile: str) -> None:
        """All waiting jobs to the other machine, in turned order: all of it where nothing came between, or nothing."""
        subject = self._ended_plan()
        self.stores.claims.lapse()
        lists = {one: self.stores.dispatch.get(one) for one in MACHINES}
        planned = Application(
            subject=subject,
            shop_revision=self.stores.fleet.revision(),
            list_versions=[ListVersion(machine_id=one, version=lists[one].version) for one in MACHINES],
            placings=[*_swapped(lists, "m1", "m2"), *_swapped(lists, "m2", "m1")],
        )
        if meanwhile == "take":
            self._take(self._machine(0), "in between")
        elif meanwhile == "another job":
            self.another_job(1)
        elif meanwhile != "nothing" and claim_id is not None:
            self._act(claim_id, meanwhile, accepted=True, remake=False)
            self.stores.claims.lapse()
        same = all(self.stores.dispatch.version(one) == lists[one].version for one in MACHINES)
        word, _ = self.stores.plans.apply(planned)
        assert (word == "applied") == same
        for machine_id in MACHINES if same else ():
            moved_here = [one.listed.entry.job_id for one in planned.placings if one.to_machine == machine_id]
            listed = self.stores.dispatch.get(machine_id).listed
            assert [one.entry.job_id for one in listed if one.entry.job_id in moved_here] == moved_here[::-1]
            assert all(one.held for one in listed if one.entry.job_id not in moved_here)  # what prints stays

    def _ended_plan(self) -> str:
        """A plan that is done; what its result says is not looked at here."""
        self.plans = getattr(self, "plans", 0) + 1
        task = self.stores.long_tasks.create("plan", f"{self.plans:026}", b"{}", seconds=1.0)
        held = self.stores.long_tasks.claim("planner")
        assert held is not None
        self.stores.long_tasks.finish(held, TaskState.DONE, b"{}")
        return task.subject

    @rule(number=st.integers(0, 20))
    def route_anew(self, number: int) -> None:
        job_id = self._some_job(number)
        if job_id is not None:
            try:
                self.stores.jobs.retry(job_id)
            except ConflictError:
                return
            self._route()

    @rule(number=st.integers(0, 20))
    def cancel(self, number: int) -> None:
        job_id = self._some_job(number)
        if job_id is not None:
            try:
                self.stores.jobs.cancel(job_id)
            except ConflictError:
                return
            assert job_id not in [copy[0] for copy in self.held.values()]
            self.cancelled.add(job_id)

    @invariant()
    def every_job_is_on_one_list_exactly_while_it_is_bound_or_prints(self) -> None:
        if not hasattr(self, "stores"):
            return
        self.stores.claims.lapse()
        on_lists = Counter(one.entry.job_id for m in MACHINES for one in self.stores.dispatch.get(m).listed)
        names = (self.stores.keys.dispatch_list(m) for m in MACHINES)
        assert on_lists == Counter(raw.decode() for name in names for raw in self.client.zrange(name, 0, -1))
        states = {job_id: self.stores.jobs.get(job_id).state for job_id in self.jobs}
        open_jobs = [one for one, state in states.items() if state in (JobState.BOUND, JobState.PRINTING)]
        assert on_lists == Counter(open_jobs)
        assert {state: count for state, count in self.stores.jobs.counts().items() if count} == dict(
            Counter(states.values())
        )
        for job_id, state in states.items():
            held = [copy for copy in self.held.values() if copy[0] == job_id]
            assert (state is JobState.PRINTING) == bool(held)
            all_ended = sum(copy[0] == job_id for copy in self.ended) == self.jobs[job_id]
            assert (state in (JobState.DONE, JobState.SCRAPPED)) == all_ended

    @invariant()
    def every_copy_is_held_or_ended_as_the_model_says(self) -> None:
        if not hasattr(self, "stores"):
            return
        held = {claim.id: (claim.job_id, claim.copy) for claim in self.stores.claims.held()}
        assert held == self.held
        assert len({claim.machine_id for claim in self.stores.claims.held()}) == len(held)
        for job_id in self.jobs:
            copies = {(job_id, copy.copy): copy for copy in self.stores.dispatch.copies(job_id)}
            ended = {key: one.claim_id for key, one in copies.items() if one.state is not CopyState.PRINTING}
            assert ended == {key: one for key, one in self.ended.items() if key[0] == job_id}

    def finish_everything(self) -> None:
        """No copy is lost: what waits can be taken and finished to the last."""
        for claim_id in self.held:
            self.stores.claims.finish(claim_id, Report(accepted=True))
            self.ended[self.all[claim_id]] = claim_id
        while self.stores.dispatch.to_bind(1):
            bind_routed(self.stores)
        for machine_id in MACHINES:
            while isinstance(claim := self.stores.claims.take(_request(machine_id)), Claim):
                assert (claim.job_id, claim.copy) not in self.ended
                self.stores.claims.finish(claim.id, Report(accepted=True))
                self.ended[claim.job_id, claim.copy] = claim.id
        for job_id, quantity in self.jobs.items():
            assert self.stores.jobs.get(job_id).state in ENDED
            if job_id not in self.cancelled:
                assert sorted(copy for one, copy in self.ended if one == job_id) == list(range(1, quantity + 1))
        self.every_finish_has_one_outcome_and_takes_its_filament_once()

    def every_finish_has_one_outcome_and_takes_its_filament_once(self) -> None:
        while record_outcomes(self.stores):
            pass
        events = self.stores.events.after("0", 10_000)
        finishes = Counter(e.subject.removeprefix("job/") for e in events if e.kind == "claim.finished")
        outcomes = list(self.stores.outcomes.newest_first())
        unrouted = {one for one in self.jobs if self.stores.jobs.routing(one) is None}  # ended while routed anew
        assert all(finishes[one] == count for one, count in Counter(o.job_id for o in outcomes).items())
        assert {one for one in finishes if one not in {o.job_id for o in outcomes}} <= unrouted
        taken = sum(one.spool_g for one in outcomes)
        assert self.stores.fleet.get(Spool, "spool-pla").remaining_g == pytest.approx(900.0 - taken, abs=1e-4)

    def _route(self) -> None:
        """Commit what is in the inbox as routed; what it is routed to was scored once."""
        self.stores.inbox.commit(
            [Result(entry, JobState.ROUTED, self.routing) for entry in self.stores.inbox.take("t", 50)]
        )

    def _some_job(self, number: int) -> str | None:
        job_ids = sorted(self.jobs)
        return job_ids[number % len(job_ids)] if job_ids else None


def _swapped(lists: dict[str, DispatchList], machine_id: str, to: str) -> list[Placing]:
    """What waits on one machine, put on the other, the last ahead of all."""
    waiting = [one for one in lists[machine_id].listed if not one.held]
    return [
        Placing(
            listed=replace(one, place=-float(i), entry=replace(one.entry, nozzle_id=NOZZLES[to])),
            from_machine=machine_id,
            to_machine=to,
            data={"position": i},
        )
        for i, one in enumerate(waiting, 1)
    ]


def _request(machine_id: str) -> Taking:
    return Taking(machine_id=machine_id, claimant="last", lease_s=600.0, claim_id=new_claim_id())


@pytest.fixture
def lists(redis_client: redis.Redis) -> type[Lists]:
    Lists.client = redis_client
    return Lists


def test_any_interleaving_keeps_one_list_a_job_one_claimant_a_copy_and_loses_none(lists: type[Lists]) -> None:
    run_state_machine_as_test(
        lists,
        settings=settings(
            max_examples=50,
            stateful_step_count=30,
            deadline=None,
            phases=(Phase.generate,),  # a failing run is short enough to read
            suppress_health_check=list(HealthCheck),
        ),
    )
