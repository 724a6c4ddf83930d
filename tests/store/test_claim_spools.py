"""A claim names its spool, and its finish takes the filament off that spool: once, whoever asks again."""

from __future__ import annotations

from dataclasses import replace

import pytest
import redis

from tests.builders import machine, nozzle, plain, spool
from tests.store.dispatching import bound, lapse_now, stock
from workers.model.dispatch import Claim
from workers.model.errors import InvalidError
from workers.model.fleet import Spool
from workers.model.outcome import Report, ScrapReason
from workers.store.claims import Taking, new_claim_id
from workers.store.stores import Stores, open_stores
from workers.tasks import record_outcome, record_outcomes
from workers.tasks.routing import drain_inbox

GOOD = Report(accepted=True, print_h=0.4)
DENSITY = plain().density_g_cm3


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    return stock(open_stores(redis_client))


def taken(stores: Stores) -> Claim:
    claim = stores.claims.take(Taking(machine_id="m1", claimant="a", lease_s=60.0, claim_id=new_claim_id()))
    assert isinstance(claim, Claim)
    return claim


def left(stores: Stores, spool_id: str = "spool-pla") -> float:
    return stores.fleet.get(Spool, spool_id).remaining_g


def shelved(stores: Stores, spool_id: str, material_id: str = "pla") -> None:
    stores.fleet.create(replace(spool(material_id), id=spool_id))


def grams(stores: Stores, claim: Claim) -> float:
    """What the routing says that one copy takes."""
    routing = stores.jobs.routing(claim.job_id)
    assert routing is not None
    assert routing.chosen is not None
    return routing.chosen.material_g


def test_a_claim_names_the_spool_that_is_loaded(stores: Stores) -> None:
    bound(stores, "a")
    assert taken(stores).spool_id == "spool-pla"


def test_of_several_spools_the_one_at_the_nozzles_slot_is_named(stores: Stores) -> None:
    stores.fleet.create(replace(spool("pla"), id="a-first", machine_id="m1", slot=2))
    bound(stores, "a")
    assert taken(stores).spool_id == "spool-pla"


def test_a_spool_that_is_loaded_after_the_claim_is_named_at_the_next_renewal(stores: Stores) -> None:
    kept = stores.fleet.get(Spool, "spool-pla")
    off = stores.fleet.replace(replace(kept, machine_id=None, slot=None), kept.version, kind="unloaded")
    bound(stores, "a")
    claim = next(one for one in (taken_on(stores, "m1"), taken_on(stores, "m2")) if one is not None)
    assert claim.spool_id is None
    stores.fleet.replace(replace(off, machine_id=claim.machine_id, slot=1), off.version, kind="loaded")
    assert stores.claims.renew(claim.id).spool_id == "spool-pla"


def taken_on(stores: Stores, machine_id: str) -> Claim | None:
    claim = stores.claims.take(Taking(machine_id=machine_id, claimant="a", lease_s=60.0, claim_id=new_claim_id()))
    return claim if isinstance(claim, Claim) else None


def test_finishing_takes_the_routings_grams_off_the_spool_once(stores: Stores) -> None:
    (job_id,) = bound(stores, "a", quantity=2)
    before = left(stores)
    claim = taken(stores)
    wanted = grams(stores, claim)
    stores.claims.finish(claim.id, GOOD)
    outcome = record_outcome(stores, claim.id)
    assert outcome is not None
    assert (outcome.spool_id, outcome.spool_g) == ("spool-pla", pytest.approx(wanted, abs=1e-5))
    assert left(stores) == pytest.approx(before - wanted, abs=1e-5)
    stores.claims.finish(claim.id, GOOD)
    assert record_outcome(stores, claim.id) is None
    assert record_outcomes(stores) == 0
    assert left(stores) == pytest.approx(before - wanted, abs=1e-5)
    assert stores.jobs.get(job_id).state == "bound"


def test_the_spool_that_was_really_used_can_be_named(stores: Stores) -> None:
    shelved(stores, "other")
    bound(stores, "a")
    claim = taken(stores)
    before = left(stores)
    stores.claims.finish(claim.id, GOOD, spool_id="other")
    record_outcomes(stores)
    assert left(stores) == before
    assert left(stores, "other") == pytest.approx(900.0 - grams(stores, claim), abs=1e-5)


def test_a_spool_of_another_material_is_refused_and_the_claim_stands(stores: Stores) -> None:
    stores.fleet.create(plain("petg"))
    shelved(stores, "other", "petg")
    bound(stores, "a")
    claim = taken(stores)
    for wrong in ("other", "nowhere"):
        with pytest.raises(InvalidError):
            stores.claims.finish(claim.id, GOOD, spool_id=wrong)
        with pytest.raises(InvalidError):
            stores.claims.renew(claim.id, spool_id=wrong)
    assert stores.claims.get(claim.id) == claim


def test_a_failed_copy_takes_the_share_that_was_last_told(stores: Stores) -> None:
    bound(stores, "a")
    claim, before = taken(stores), left(stores)
    stores.claims.renew(claim.id, 0.25)
    stores.claims.finish(claim.id, Report(accepted=False, scrap_reason=ScrapReason.CAME_LOOSE))
    record_outcomes(stores)
    assert before - left(stores) == pytest.approx(0.25 * grams(stores, claim), abs=1e-5)


def test_a_spool_that_has_left_the_shop_takes_nothing_and_the_outcome_is_learnt(stores: Stores) -> None:
    shelved(stores, "other")
    bound(stores, "a")
    claim = taken(stores)
    stores.claims.finish(claim.id, GOOD, spool_id="other")
    stores.fleet.delete(Spool, "other", stores.fleet.get(Spool, "other").version)
    outcome = record_outcome(stores, claim.id)
    assert outcome is not None
    assert outcome.spool_id is None


def test_a_late_finish_is_deducted_once_and_the_refused_one_not_at_all(stores: Stores) -> None:
    bound(stores, "a")
    late, before = taken(stores), left(stores)
    lapse_now(stores, late.id)
    second = taken(stores)
    with pytest.raises(Exception, match="lapsed"):
        stores.claims.finish(late.id, GOOD)
    stores.claims.finish(second.id, GOOD)
    record_outcomes(stores)
    assert before - left(stores) == pytest.approx(grams(stores, second), abs=1e-5)


def test_a_print_that_a_later_routing_has_no_room_to_name_is_learnt_all_the_same(stores: Stores) -> None:
    """Eight more machines that print the job as well push the claim's own off the list of the best few."""
    (job_id,) = bound(stores, "a", quantity=2)
    claim = taken(stores)
    wanted, before = grams(stores, claim), left(stores)
    stores.claims.finish(claim.id, GOOD)
    for number in range(8):
        stores.fleet.create(machine(f"a{number}", nozzle_slots=1))
        stores.fleet.create(nozzle(f"na{number}", 0.4, f"a{number}"))
        stores.fleet.create(replace(spool("pla", f"a{number}"), id=f"s{number}"))
    stores.jobs.retry(job_id)
    drain_inbox(stores, "test")
    routing = stores.jobs.routing(job_id)
    assert routing is not None
    assert routing.chosen is not None
    assert claim.machine_id not in {one.machine_id for one in (routing.chosen, *routing.others)}
    outcome = record_outcome(stores, claim.id)
    assert outcome is not None
    assert outcome.machine_id == claim.machine_id
    assert before - left(stores) == pytest.approx(wanted, abs=1e-5)


def test_the_grams_are_the_volume_by_the_density(stores: Stores) -> None:
    """Mass is volume times density; the routing's own grams are checked against the part's volume elsewhere."""
    bound(stores, "a")
    claim = taken(stores)
    stores.claims.finish(claim.id, replace(GOOD, extruded_cm3=10.0))
    outcome = record_outcome(stores, claim.id)
    assert outcome is not None
    assert outcome.spool_g == pytest.approx(10.0 * DENSITY)


def test_an_outcome_waits_while_its_job_is_routed_again(stores: Stores) -> None:
    (job_id,) = bound(stores, "a", quantity=2)
    claim = taken(stores)
    wanted, before = grams(stores, claim), left(stores)
    stores.claims.finish(claim.id, GOOD)
    stores.jobs.retry(job_id)
    assert record_outcome(stores, claim.id) is None
    assert stores.claims.to_report() == [claim.id]
    drain_inbox(stores, "test")
    assert record_outcomes(stores) == 1
    assert before - left(stores) == pytest.approx(wanted, abs=1e-5)
