"""Outcomes and evidence on a real Redis: nothing is lost, nothing is learnt twice, all of it can be taken back."""

from __future__ import annotations

import threading
from dataclasses import replace
from typing import Any

import pytest
import redis

from tests.builders import chopped_fibre, job, machine, nozzle, plain, sliding_hole, spool
from workers.learning.intake import sums_of
from workers.model.errors import ConflictError, InvalidError, NotFoundError, VersionMismatchError
from workers.model.evidence import Sums
from workers.model.fleet import Nozzle, Spool
from workers.model.outcome import Outcome, OutcomeState, Report, ScrapReason
from workers.model.routing import Candidate
from workers.routing.decide import Router
from workers.store.outcomes import OutcomeFilter
from workers.store.stores import Stores, open_stores

SPEC = job(tolerances=(sliding_hole(),))


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    opened = open_stores(redis_client, clock=lambda: 1_780_000_000.0)
    for thing in (machine(), nozzle("n04", 0.4), plain(), spool("pla", "m1")):
        opened.fleet.create(thing)
    return opened


def chosen(stores: Stores) -> Candidate:
    candidate = Router(stores.fleet.snapshot()).route([SPEC])[0].chosen
    assert candidate is not None
    return candidate


def as_expected(candidate: Candidate, **changes: Any) -> Report:
    """A report of a copy that came out as the routing said."""
    values: dict[str, Any] = {"accepted": True, "print_h": candidate.print_h}
    return Report(**(values | {"sizes": (("guide hole", candidate.fits[0].mean_mm),)} | changes))


def recorded(stores: Stores, report: Report | None = None, candidate: Candidate | None = None, **how: Any) -> Outcome:
    candidate = candidate or chosen(stores)
    return stores.outcomes.record(report or as_expected(candidate), SPEC, candidate, **({"job_id": "j1"} | how))


def test_an_outcome_is_kept_with_its_evidence_event_and_history(stores: Stores) -> None:
    revision = stores.fleet.revision()
    candidate = chosen(stores)
    outcome = recorded(stores, candidate=candidate)

    assert (outcome.state, stores.outcomes.get(outcome.id)) == (OutcomeState.LEARNT, outcome)
    shop = stores.fleet.snapshot()
    assert shop.revision == revision + 1
    whole, size = shop.evidence
    assert (whole.sums.prints, whole.sums.volume_ul) == (1, round(candidate.volume_cm3 * 1000.0))
    assert (whole.sums.timed, size.sums.sized, size.key.kind) == (1, 1, "hole")
    kinds = [entry.kind for entry in stores.events.history(f"outcome/{outcome.id}")]
    assert kinds == ["outcome.learnt"]
    assert stores.events.after("0", 1000)[-1].subject == f"outcome/{outcome.id}"


def test_many_writers_at_once_lose_nothing(redis_url: str, stores: Stores) -> None:
    """The sums come out as the plain sum over what each writer put in; the shop changes in between too."""
    candidate, writers, each = chosen(stores), 8, 12
    revision = stores.fleet.revision()

    def write(number: int) -> None:
        own = open_stores(redis.Redis.from_url(redis_url))
        for i in range(each):
            report = as_expected(candidate, print_h=candidate.print_h * (1.0 + 0.001 * (number + i)))
            own.outcomes.record(report, SPEC, candidate, job_id=f"j{number}")

    def rename() -> None:
        own = open_stores(redis.Redis.from_url(redis_url))
        for i in range(5):
            own.fleet.replace(machine(name=f"name {i}"), expected=i + 1)

    threads = [threading.Thread(target=write, args=(n,)) for n in range(writers)] + [threading.Thread(target=rename)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    kept = list(stores.outcomes.newest_first())
    assert len(kept) == writers * each
    shop = stores.fleet.snapshot()
    assert shop.evidence[0].sums == _plain_sum(kept)
    assert shop.revision == revision + writers * each + 5


def _plain_sum(outcomes: list[Outcome]) -> Sums:
    each = [sums_of(outcome)[0][1] for outcome in outcomes]
    return Sums(**{name: sum(getattr(one, name) for one in each) for name in Sums.__dataclass_fields__})


def test_a_withdrawal_restores_the_evidence_to_the_bit(stores: Stores) -> None:
    recorded(stores)
    before = stores.fleet.snapshot()
    routing_before = Router(before).route([SPEC])[0]
    candidate = chosen(stores)
    slow = recorded(stores, as_expected(candidate, print_h=candidate.print_h * 1.07, clogs=0))
    between = stores.fleet.snapshot()
    assert between.evidence != before.evidence

    withdrawn = stores.outcomes.withdraw(slow.id)

    after = stores.fleet.snapshot()
    assert (withdrawn.state, withdrawn.version) == (OutcomeState.WITHDRAWN, 2)
    assert after.evidence == before.evidence
    assert after.revision == between.revision + 1
    assert replace(Router(after).route([SPEC])[0], shop_revision=before.revision) == routing_before
    with pytest.raises(ConflictError, match="withdrawn already"):
        stores.outcomes.withdraw(slow.id)
    assert stores.fleet.snapshot().evidence == before.evidence


def test_an_outcome_out_of_line_is_kept_and_not_learnt_until_confirmed(stores: Stores) -> None:
    candidate, revision = chosen(stores), stores.fleet.revision()
    misread = as_expected(candidate, sizes=(("guide hole", 8.3),))
    flagged = recorded(stores, misread, candidate)
    assert flagged.state is OutcomeState.FLAGGED
    assert "another feature" in flagged.flags[0]
    assert (stores.fleet.snapshot().evidence, stores.fleet.revision()) == ((), revision)

    confirmed = stores.outcomes.confirm(flagged.id, expected=1)
    assert confirmed.state is OutcomeState.CONFIRMED
    assert [one.sums.sized for one in stores.fleet.snapshot().evidence] == [0, 1]
    assert stores.fleet.revision() == revision + 1
    with pytest.raises(ConflictError, match="only a flagged one"):
        stores.outcomes.confirm(flagged.id)
    assert [e.kind for e in stores.events.history(f"outcome/{flagged.id}")] == ["outcome.flagged", "outcome.confirmed"]


def test_withdrawing_what_was_never_learnt_changes_no_evidence(stores: Stores) -> None:
    flagged = recorded(stores, as_expected(chosen(stores), sizes=(("guide hole", 8.3),)))
    stores.outcomes.withdraw(flagged.id)
    assert stores.fleet.snapshot().evidence == ()


def test_two_confirmations_at_once_learn_once(redis_url: str, stores: Stores) -> None:
    flagged = recorded(stores, as_expected(chosen(stores), sizes=(("guide hole", 8.3),)))
    refused: list[Exception] = []

    def confirm() -> None:
        try:
            open_stores(redis.Redis.from_url(redis_url)).outcomes.confirm(flagged.id)
        except ConflictError as error:
            refused.append(error)

    threads = [threading.Thread(target=confirm) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(refused) == 4
    assert stores.fleet.snapshot().evidence[0].sums.prints == 1


def test_a_stale_version_and_an_unknown_outcome_are_refused(stores: Stores) -> None:
    outcome = recorded(stores)
    with pytest.raises(VersionMismatchError):
        stores.outcomes.withdraw(outcome.id, expected=2)
    with pytest.raises(NotFoundError):
        stores.outcomes.get("nobody")


def test_an_outcome_moves_the_next_routing_of_its_pairing(stores: Stores) -> None:
    before = chosen(stores)
    recorded(stores, as_expected(before, print_h=before.print_h * 1.1))
    after = chosen(stores)
    assert after.grounds.prints == 1
    assert before.print_h < after.print_h < before.print_h * 1.1


def test_clogs_raise_the_believed_risk(stores: Stores) -> None:
    before = chosen(stores)
    clogged = Report(accepted=False, scrap_reason=ScrapReason.CLOG, clogs=1, extruded_cm3=3.0)
    recorded(stores, clogged, before)
    assert chosen(stores).clog_risk > before.clog_risk


def abrasive(stores: Stores) -> Candidate:
    stores.fleet.create(chopped_fibre())
    stores.fleet.create(spool("pa-cf", "m1", slot=2))
    spec = replace(SPEC, material=replace(SPEC.material, material_ids=("pa-cf",)))
    candidate = Router(stores.fleet.snapshot()).route([spec])[0].chosen
    assert candidate is not None
    return candidate


def test_abrasive_filament_wears_the_nozzle_and_empties_the_spool(stores: Stores) -> None:
    candidate = abrasive(stores)
    outcome = recorded(stores, candidate=candidate, spool_id="spool-pa-cf")
    worn, used = stores.fleet.get(Nozzle, "n04"), stores.fleet.get(Spool, "spool-pa-cf")
    assert worn.abrasive_cm3 == pytest.approx(candidate.volume_cm3, abs=1e-6)
    assert used.remaining_g == pytest.approx(900.0 - candidate.volume_cm3 * 1.24, abs=1e-5)
    assert (worn.version, used.version) == (2, 2)
    assert stores.events.history("nozzle/n04")[-1].kind == "nozzle.used"

    stores.outcomes.withdraw(outcome.id)
    assert stores.fleet.get(Nozzle, "n04").abrasive_cm3 == 0.0
    assert stores.fleet.get(Spool, "spool-pa-cf").remaining_g == 900.0


def test_plain_filament_wears_nothing(stores: Stores) -> None:
    recorded(stores)
    assert stores.fleet.get(Nozzle, "n04").version == 1


def test_wear_counted_by_many_at_once_adds_up(redis_url: str, stores: Stores) -> None:
    candidate = abrasive(stores)

    def write() -> None:
        own = open_stores(redis.Redis.from_url(redis_url))
        for _ in range(5):
            own.outcomes.record(as_expected(candidate), SPEC, candidate, job_id="j1", spool_id="spool-pa-cf")

    threads = [threading.Thread(target=write) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    worn = stores.fleet.get(Nozzle, "n04")
    assert worn.abrasive_cm3 == pytest.approx(20 * candidate.volume_cm3, abs=1e-4)
    assert worn.version == 21


def test_a_spool_gives_no_more_than_it_holds(stores: Stores) -> None:
    candidate = chosen(stores)
    stores.fleet.replace(spool("pla", "m1", remaining_g=1.0), expected=1)
    outcome = recorded(stores, candidate=candidate, spool_id="spool-pla")
    assert (outcome.spool_g, stores.fleet.get(Spool, "spool-pla").remaining_g) == (1.0, 0.0)
    stores.outcomes.withdraw(outcome.id)
    assert stores.fleet.get(Spool, "spool-pla").remaining_g == 1.0


@pytest.mark.parametrize(("spool_id", "said"), [("nobody", "no spool"), ("spool-pa-cf", "holds 'pa-cf'")])
def test_a_spool_that_cannot_be_is_refused_and_nothing_is_kept(stores: Stores, spool_id: str, said: str) -> None:
    stores.fleet.create(chopped_fibre())
    stores.fleet.create(spool("pa-cf"))
    with pytest.raises(InvalidError, match=said) as refused:
        recorded(stores, spool_id=spool_id)
    assert refused.value.fields[0].pointer == "/spool_id"
    assert stores.outcomes.page().items == ()


def test_a_caller_s_own_writes_go_with_the_outcome_or_not_at_all(stores: Stores) -> None:
    """How a claim is finished: its key is watched, checked, and written in the same step."""
    stores.client.set("claim", "mine")

    def require_mine() -> None:
        if stores.client.get("claim") != b"mine":
            raise ConflictError("the claim has lapsed")

    recorded(stores, watch=("claim",), guard=require_mine, also=lambda pipe, _: pipe.delete("claim"))
    assert stores.client.get("claim") is None
    with pytest.raises(ConflictError, match="lapsed"):
        recorded(stores, watch=("claim",), guard=require_mine)
    assert len(stores.outcomes.page().items) == 1


def test_a_claim_that_lapses_in_between_is_seen(stores: Stores) -> None:
    stores.client.set("claim", "mine")
    seen: list[bytes | None] = []

    def lapse_once() -> None:
        seen.append(stores.client.get("claim"))  # type: ignore[arg-type]
        if len(seen) == 1:
            stores.client.set("claim", "another's")
        else:
            raise ConflictError("the claim has lapsed")

    with pytest.raises(ConflictError, match="lapsed"):
        recorded(stores, watch=("claim",), guard=lapse_once)
    assert seen == [b"mine", b"another's"]
    assert (stores.outcomes.page().items, stores.fleet.snapshot().evidence) == ((), ())


def test_outcomes_are_found_by_what_they_are_about(stores: Stores) -> None:
    stores.fleet.create(machine("m2"))
    stores.fleet.create(nozzle("n06", 0.6, "m2"))
    first = chosen(stores)
    other = replace(first, machine_id="m2", nozzle_id="n06")
    made = [recorded(stores, as_expected(c), c, job_id=j) for c, j in ((first, "j1"), (other, "j1"), (first, "j2"))]
    stores.outcomes.withdraw(made[2].id)
    ids = [one.id for one in made]

    def found(**wanted: Any) -> set[str]:
        return {one.id for one in stores.outcomes.page(OutcomeFilter(**wanted)).items}

    assert found() == set(ids)
    assert found(job_id="j1") == set(ids[:2])
    assert found(machine_id="m1") == {ids[0], ids[2]}
    assert found(machine_id="m1", job_id="j1") == {ids[0]}
    assert found(nozzle_id="n06", material_id="pla") == {ids[1]}
    assert found(state=OutcomeState.WITHDRAWN) == {ids[2]}
    assert found(state=OutcomeState.LEARNT) == set(ids[:2])


def test_pages_of_outcomes_neither_repeat_nor_leave_out(stores: Stores) -> None:
    candidate = chosen(stores)
    for i in range(7):
        recorded(stores, candidate=candidate, job_id=f"j{i % 2}")
    seen: list[str] = []
    after = None
    while True:
        page = stores.outcomes.page(OutcomeFilter(machine_id="m1", state=OutcomeState.LEARNT), after, limit=3)
        seen += [one.id for one in page.items]
        if (after := page.next_cursor) is None:
            break
    assert seen == sorted(seen, reverse=True)
    assert len(set(seen)) == 7
