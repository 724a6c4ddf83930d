"""Claims on a real Redis: one claimant a copy, whoever lapses, comes late or asks twice."""

from __future__ import annotations

import threading
from collections import Counter
from dataclasses import replace

import pytest
import redis

from tests.store.dispatching import bound, lapse_now, moved, stock
from workers.model.dispatch import Claim, ClaimState, CopyState
from workers.model.errors import ConflictError, IdempotencyKeyReusedError, NotFoundError
from workers.model.fleet import Machine, MachineState, Nozzle
from workers.model.job import JobState
from workers.model.outcome import Report, ScrapReason
from workers.store.claims import BusyError, ClaimOverError, Nothing, Taking, new_claim_id
from workers.store.stores import Stores, open_stores

GOOD = Report(accepted=True, print_h=0.4)
CLOGGED = Report(accepted=False, scrap_reason=ScrapReason.CLOG, clogs=1)


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    return stock(open_stores(redis_client))


def taking(machine_id: str = "m1", claimant: str = "agent", lease_s: float = 60.0, claim_id: str = "") -> Taking:
    claim_id = claim_id or new_claim_id()
    return Taking(machine_id=machine_id, claimant=claimant, lease_s=lease_s, claim_id=claim_id)


def taken(stores: Stores, **changes: object) -> Claim:
    claim = stores.claims.take(taking(**changes))  # type: ignore[arg-type]
    assert isinstance(claim, Claim), claim
    return claim


def kinds(stores: Stores, job_id: str) -> list[str]:
    return [entry.kind for entry in stores.events.history(f"job/{job_id}")][3:]


def test_a_claim_takes_the_first_job_of_the_list(stores: Stores) -> None:
    first, _ = bound(stores, "a", "b")
    claim = taken(stores)
    assert (claim.job_id, claim.copy, claim.state) == (first, 1, ClaimState.HELD)
    assert claim.expires_at - claim.taken_at == pytest.approx(60.0, abs=0.01)
    assert stores.jobs.get(first).state is JobState.PRINTING
    assert stores.dispatch.get("m1").claim == claim


def test_a_machine_prints_one_thing_at_a_time(stores: Stores) -> None:
    bound(stores, "a", "b")
    taken(stores)
    with pytest.raises(BusyError):
        taken(stores)


def test_the_same_request_twice_is_one_claim(stores: Stores) -> None:
    bound(stores, "a", "b")
    request = taking()
    assert stores.claims.take(request) == stores.claims.take(request)
    with pytest.raises(IdempotencyKeyReusedError):
        stores.claims.take(replace(request, claimant="somebody else"))


def test_there_is_nothing_to_take(stores: Stores) -> None:
    assert isinstance(stores.claims.take(taking()), Nothing)
    with pytest.raises(NotFoundError):
        taken(stores, machine_id="m9")


def test_a_machine_that_is_down_gets_no_work(stores: Stores) -> None:
    bound(stores, "a")
    machine = stores.fleet.get(Machine, "m1")
    stores.fleet.replace(replace(machine, state=MachineState.DOWN), machine.version)
    with pytest.raises(ConflictError, match="down"):
        taken(stores)


def test_a_job_whose_nozzle_is_off_the_machine_is_passed_over(stores: Stores) -> None:
    bound(stores, "a")
    nozzle = stores.fleet.get(Nozzle, "n1")
    stores.fleet.replace(replace(nozzle, machine_id=None, slot=None), nozzle.version)
    answer = stores.claims.take(taking())
    assert isinstance(answer, Nothing)
    assert "nozzles" in answer.reason


def test_finishing_the_last_copy_ends_the_job_and_clears_the_list(stores: Stores) -> None:
    (job_id,) = bound(stores, "a", quantity=2)
    for copy in (1, 2):
        claim = taken(stores)
        assert claim.copy == copy
        stores.claims.finish(claim.id, GOOD)
    assert stores.jobs.get(job_id).state is JobState.DONE
    assert stores.dispatch.get("m1").listed == ()
    assert [copy.state for copy in stores.dispatch.copies(job_id)] == [CopyState.ACCEPTED] * 2
    assert kinds(stores, job_id) == ["claim.taken", "claim.finished"] * 2 + ["job.done"]


def test_a_scrapped_copy_ends_the_job_as_scrapped_or_is_made_again(stores: Stores) -> None:
    (job_id,) = bound(stores, "a")
    stores.claims.finish(taken(stores).id, CLOGGED, remake=True)
    assert stores.jobs.get(job_id).state is JobState.BOUND
    again = taken(stores)
    assert (again.job_id, again.copy) == (job_id, 1)
    stores.claims.finish(again.id, CLOGGED)
    assert stores.jobs.get(job_id).state is JobState.SCRAPPED


def test_what_is_given_back_returns_to_its_place(stores: Stores) -> None:
    first, _ = bound(stores, "a", "b")
    claim = stores.claims.give_back(taken(stores).id, "no filament at hand")
    assert (claim.state, claim.reason) == (ClaimState.GIVEN_BACK, "no filament at hand")
    assert stores.jobs.get(first).state is JobState.BOUND
    assert taken(stores).job_id == first


def test_a_lease_that_is_not_renewed_lapses_and_the_copy_returns(stores: Stores) -> None:
    first, _ = bound(stores, "a", "b")
    claim = taken(stores, lease_s=0.02)
    threading.Event().wait(0.05)
    assert stores.claims.lapse() == 1
    assert stores.claims.get(claim.id).state is ClaimState.LAPSED
    assert stores.jobs.get(first).state is JobState.BOUND
    assert taken(stores, claimant="another").job_id == first


def test_renewing_holds_on_and_tells_progress_in_steps(stores: Stores) -> None:
    (job_id,) = bound(stores, "a")
    claim = taken(stores, lease_s=5.0)
    renewed = stores.claims.renew(claim.id, 0.4, 600.0)
    stores.claims.renew(claim.id, 0.41)
    assert renewed.progress == 0.4
    assert renewed.expires_at > claim.expires_at + 500
    told = [event for event in stores.events.after("0") if event.kind == "claim.progress"]
    assert [event.data["progress"] for event in told] == [0.4]
    assert kinds(stores, job_id) == ["claim.taken"]


def test_a_late_finish_is_taken_while_the_copy_is_free(stores: Stores) -> None:
    (job_id,) = bound(stores, "a")
    claim = taken(stores)
    lapse_now(stores, claim.id)
    finished = stores.claims.finish(claim.id, GOOD)
    assert (finished.state, finished.late) == (ClaimState.FINISHED, True)
    assert stores.jobs.get(job_id).state is JobState.DONE
    assert isinstance(stores.claims.take(taking()), Nothing)


def test_a_late_finish_is_refused_once_somebody_else_has_the_copy(stores: Stores) -> None:
    (job_id,) = bound(stores, "a")
    late = taken(stores)
    lapse_now(stores, late.id)
    second = taken(stores, claimant="another")
    with pytest.raises(ClaimOverError):
        stores.claims.finish(late.id, GOOD)
    stores.claims.finish(second.id, GOOD)
    with pytest.raises(ClaimOverError):
        stores.claims.finish(late.id, GOOD)
    assert stores.jobs.get(job_id).state is JobState.DONE


def test_a_late_finish_counts_wherever_the_job_has_gone_meanwhile(stores: Stores) -> None:
    (job_id,) = bound(stores, "a")
    claim = taken(stores)
    lapse_now(stores, claim.id)
    stores.claims.lapse()
    stores.jobs.retry(job_id)
    stores.claims.finish(claim.id, GOOD)
    assert stores.jobs.get(job_id).state is JobState.DONE
    assert stores.dispatch.get("m1").listed == ()


def test_the_part_of_a_cancelled_job_is_not_taken(stores: Stores) -> None:
    (job_id,) = bound(stores, "a")
    claim = taken(stores)
    lapse_now(stores, claim.id)
    stores.claims.lapse()
    stores.jobs.cancel(job_id)
    with pytest.raises(ClaimOverError):
        stores.claims.finish(claim.id, GOOD)
    assert stores.jobs.get(job_id).state is JobState.CANCELLED


def test_the_same_report_twice_is_one_finish(stores: Stores) -> None:
    bound(stores, "a", quantity=2)
    claim = taken(stores)
    first = stores.claims.finish(claim.id, GOOD)
    assert stores.claims.finish(claim.id, GOOD) == first
    with pytest.raises(ClaimOverError):
        stores.claims.finish(claim.id, CLOGGED)
    assert stores.dispatch.get("m1").listed[0].accepted == 1


def test_a_lapsed_claim_is_held_again_while_its_copy_is_free(stores: Stores) -> None:
    (job_id,) = bound(stores, "a")
    claim = taken(stores)
    lapse_now(stores, claim.id)
    assert stores.claims.renew(claim.id, 0.5).state is ClaimState.HELD
    assert stores.jobs.get(job_id).state is JobState.PRINTING
    lapse_now(stores, claim.id)
    taken(stores, claimant="another")
    with pytest.raises(ClaimOverError):
        stores.claims.renew(claim.id, 0.6)


def test_a_lapsed_claim_is_not_held_again_once_its_copy_has_ended(stores: Stores) -> None:
    bound(stores, "a", quantity=2)
    late = taken(stores)
    lapse_now(stores, late.id)
    stores.claims.finish(taken(stores, claimant="another").id, GOOD)
    with pytest.raises(ClaimOverError):  # the job is still on the list and its machine idle
        stores.claims.renew(late.id, 0.6)


def test_a_job_that_prints_cannot_be_cancelled(stores: Stores) -> None:
    (job_id,) = bound(stores, "a")
    taken(stores)
    with pytest.raises(ConflictError):
        stores.jobs.cancel(job_id)


def test_unknown_claims_are_not_found(stores: Stores) -> None:
    for ask in (stores.claims.get, stores.claims.renew, stores.claims.give_back):
        with pytest.raises(NotFoundError):
            ask("nothing")


def test_many_real_clients_never_share_a_copy(redis_url: str, stores: Stores) -> None:
    """Six agents on two machines, some of which die: each of 40 copies ends once."""
    job_ids = bound(stores, "a", "b", "c", "d", quantity=10)
    for name, job_id in zip("cd", job_ids[2:], strict=True):
        machine_id = stores.dispatch.machine_of(job_id) or ""
        stores.dispatch.move(moved(stores, name, to="m2", machine_id=machine_id))
    ended: list[tuple[str, int]] = []

    def agent(number: int) -> None:
        own = open_stores(redis.Redis.from_url(redis_url))
        for turn in range(400):
            try:
                claim = own.claims.take(taking(f"m{1 + number % 2}", f"agent {number}", 0.05))
            except BusyError:
                own.claims.lapse()
                continue
            if isinstance(claim, Nothing):
                if all(own.jobs.get(one).state is JobState.DONE for one in job_ids):
                    return
                continue
            if (turn + number) % 5 == 0:
                continue  # it dies: the lease lapses
            try:
                own.claims.renew(claim.id, 0.5)
                if (turn + number) % 5 == 1:
                    own.claims.give_back(claim.id, "no filament at hand")
                    continue
                own.claims.finish(claim.id, GOOD)
            except ClaimOverError:
                continue
            ended.append((claim.job_id, claim.copy))

    threads = [threading.Thread(target=agent, args=(i,)) for i in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    while any(stores.jobs.get(one).state is not JobState.DONE for one in job_ids):
        for machine_id in ("m1", "m2"):
            stores.claims.lapse()
            try:
                claim = stores.claims.take(taking(machine_id, "last"))
            except BusyError:
                continue
            if isinstance(claim, Claim):
                stores.claims.finish(claim.id, GOOD)
                ended.append((claim.job_id, claim.copy))
    assert Counter(ended) == Counter((one, copy) for one in job_ids for copy in range(1, 11))
    finished = [e for e in stores.events.after("0", 10_000) if e.kind == "claim.finished"]
    assert len(finished) == 40
