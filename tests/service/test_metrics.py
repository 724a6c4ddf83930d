"""/metrics, read back with the parser of the Prometheus project's own client library."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from prometheus_client.parser import text_string_to_metric_families

from service.settings import Settings
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from workers.tasks.routing import drain_inbox


def samples(caller: Caller) -> dict[tuple[str, str], float]:
    answer = caller.get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["Content-Type"].startswith("text/plain; version=0.0.4")
    return {
        (one.name, ",".join(one.labels.values())): one.value
        for family in text_string_to_metric_families(answer.text)
        for one in family.samples
    }


def test_jobs_are_counted_from_intake_to_routed(shop: Caller) -> None:
    for _ in range(3):
        shop.made("/v1/jobs", bodies.job())
    before = samples(shop)
    assert before["borewright_jobs", "accepted"] == before["borewright_inbox_jobs", ""] == 3
    assert before["borewright_jobs_accepted_total", ""] == 3
    assert 0 < before["borewright_inbox_oldest_seconds", ""] < 60
    drain_inbox(shop.stores, "test")
    after = samples(shop)
    assert after["borewright_inbox_jobs", ""] == after["borewright_inbox_oldest_seconds", ""] == 0
    assert after["borewright_batch_jobs_count", ""] == 1
    assert after["borewright_batch_jobs_sum", ""] == 3
    assert after["borewright_batch_jobs_bucket", "2.0"] == 0
    assert after["borewright_batch_jobs_bucket", "4.0"] == 1
    assert after["borewright_routed_seconds_count", ""] == 3
    assert 0 < after["borewright_routed_seconds_sum", ""] < 180


def test_waits_fall_into_their_buckets(shop: Caller) -> None:
    """Prometheus exposition format: a bucket counts what is up to its bound, +Inf everything."""
    shop.stores.meter.note_batch([0.05, 0.06, 1000.0])
    found = samples(shop)
    assert [found["borewright_routed_seconds_bucket", le] for le in ("0.025", "0.05", "0.1", "300.0", "+Inf")] == [
        0,
        1,
        2,
        2,
        3,
    ]
    assert found["borewright_routed_seconds_sum", ""] == pytest.approx(1000.11)


def test_every_process_gives_the_same_figures(make_api: Callable[..., Caller]) -> None:
    first, second = make_api().stocked(), make_api()
    first.made("/v1/jobs", bodies.job())
    second.made("/v1/jobs", bodies.job())
    moving = ("borewright_inbox_oldest_seconds", "")
    one, other = samples(first), samples(second)
    assert {k: v for k, v in one.items() if k != moving} == {k: v for k, v in other.items() if k != moving}
    assert one["borewright_jobs_accepted_total", ""] == 2


def test_the_figures_need_a_key_that_reads(make_api: Callable[..., Caller]) -> None:
    assert make_api(access="keys").get("/metrics").status_code == 401
    assert Settings().access == "open"
