"""The beginnings of many lists, kept between pages: never other than what is read anew."""

from __future__ import annotations

import pytest
import redis

from tests.service import api_bodies as bodies
from tests.service.conftest import Caller, api, make_api, shop
from tests.store.dispatching import lapse_now
from workers.model.outcome import Report
from workers.store import heads as module
from workers.store.claims import Taking
from workers.store.heads import KeptHeads, heads
from workers.tasks import MoveWish, drain_and_bind, plan_move

__all__ = ["api", "make_api", "shop"]
MACHINES = ("alder", "birch", "gone")


@pytest.fixture
def floor(shop: Caller) -> Caller:
    """Two machines alike and six jobs between them."""
    shop.made("/v1/machines", bodies.machine(id="birch", name="Birch"))
    shop.made("/v1/nozzles", bodies.nozzle(id="n-2", machine_id="birch", slot=1))
    shop.made("/v1/spools", bodies.spool(id="s-2", machine_id="birch", slot=1))
    for name in ("First", "Second", "Third", "Fourth", "Fifth", "Sixth"):
        shop.made("/v1/jobs", bodies.job(name=name, quantity=2))
    drain_and_bind(shop.stores, "test")
    return shop


def test_what_is_kept_is_what_is_read_anew_after_every_change(floor: Caller) -> None:
    stores = floor.stores
    kept = KeptHeads(stores.client, stores.keys, 50)

    def same(most: int = 50) -> None:
        assert kept.newest(MACHINES) == heads(stores.client, stores.keys, MACHINES, most)

    same()
    before = len(kept.newest(MACHINES)["birch"].list.listed)
    assert len(kept.newest(MACHINES)["alder"].list.listed) > 2
    stores.claims.take(Taking(machine_id="alder", claimant="x", lease_s=60, claim_id="c1"))
    same()
    floor.post("/v1/claims/c1/renewal", {"progress": 0.4})
    same()
    assert kept.newest(MACHINES)["alder"].list.claim.progress == 0.4
    stores.claims.finish("c1", Report(accepted=True))
    same()
    stores.claims.take(Taking(machine_id="alder", claimant="x", lease_s=60, claim_id="c2"))
    lapse_now(stores, "c2")
    stores.claims.lapse()
    same()
    job = kept.newest(MACHINES)["alder"].list.listed[-1].entry.job_id
    wish = MoveWish(job_id=job, position=1, machine_id="birch", pinned=None, reason="")
    stores.dispatch.move(plan_move(stores, stores.fleet.snapshot(), "alder", wish, 1e9).move)
    same()
    assert len(kept.newest(MACHINES)["birch"].list.listed) == before + 1
    stores.jobs.cancel(job, None, "")
    same()


def test_only_lists_that_changed_are_read_again(floor: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    stores = floor.stores
    kept, read = KeptHeads(stores.client, stores.keys, 50), []
    real = module._read
    monkeypatch.setattr(module, "_read", lambda c, k, m, n: read.append(list(m)) or real(c, k, m, n))
    kept.newest(MACHINES)
    kept.newest(MACHINES)
    stores.claims.take(Taking(machine_id="alder", claimant="x", lease_s=60, claim_id="c1"))
    kept.newest(MACHINES)
    kept.newest(())
    assert read == [list(MACHINES), ["alder"]]


def test_a_list_is_read_as_far_as_is_wanted(floor: Caller, redis_client: redis.Redis) -> None:
    whole, part = (heads(redis_client, floor.stores.keys, ["alder"], most)["alder"] for most in (50, 2))
    assert part.list.listed == whole.list.listed[:2]
    assert part.total == whole.total == len(whole.list.listed) > 2
