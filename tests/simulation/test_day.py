"""A short day in the shop, with break-downs, clogs and a nozzle change, against the naive first-free-machine rule.

The long one is `python -m tests.benchmarks.bench_day`.
"""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
import redis

from tests.benchmarks.bench_day import by_the_naive_rule, by_the_service
from tests.simulation.day import Figures, plan
from workers.model.fleet import Spool
from workers.model.record import Event
from workers.store.stores import Stores

SEED, JOBS, HOURS = 3, 30, 8.0


@pytest.fixture(scope="module")
def day(redis_url: str) -> tuple[Figures, Figures, Stores, list[Event]]:
    the_plan = plan(SEED, JOBS, HOURS)
    client = redis.Redis.from_url(redis_url)
    client.config_set("appendfsync", "no")  # a day is long where each write waits for the disk
    ours, stores = by_the_service(the_plan, redis_url)
    client.config_set("appendfsync", "always")
    return by_the_naive_rule(the_plan), ours, stores, stores.events.after("0", 100_000)


Met = tuple[Figures, Figures, Stores, list[Event]]


def test_every_job_ends_once(day: Met) -> None:
    naive, ours, stores, events = day
    for figures in (naive, ours):
        assert len(figures.ended) == JOBS
        assert set(figures.ended.values()) == {1}
    assert Counter(event.subject for event in events if event.kind == "job.done").most_common(1)[0][1] == 1
    assert sum(event.kind == "job.done" for event in events) == JOBS
    assert all(not stores.dispatch.get(one).listed for one in stores.dispatch.machines())
    assert stores.claims.held() == []


def test_the_day_has_what_makes_it_hard(day: Met) -> None:
    """Else the comparison would say nothing."""
    _, ours, _, events = day
    kinds = Counter(event.kind for event in events)
    assert min(kinds["machine.down"], kinds["nozzle.mounted"], kinds["job.moved"], ours.scrapped, ours.lost) >= 1
    assert kinds["machine.down"] == kinds["machine.up"]


def test_fewer_hours_late_and_fewer_setups_than_the_first_free_machine(day: Met) -> None:
    naive, ours, *_ = day
    assert ours.weighted_late_h < 0.5 * naive.weighted_late_h
    assert ours.late < naive.late
    assert ours.setups < 0.5 * naive.setups
    assert ours.setup_h < naive.setup_h


def test_every_finished_claim_has_one_outcome_and_its_filament_is_gone_once(day: Met) -> None:
    _, ours, stores, events = day
    finished = sum(event.kind == "claim.finished" for event in events)
    outcomes = list(stores.outcomes.newest_first())
    assert len(outcomes) == finished == ours.good + ours.scrapped
    taken: Counter[str] = Counter()
    for one in outcomes:
        assert one.spool_id is not None
        taken[one.spool_id] += one.spool_g
    for spool in stores.fleet.page(Spool, limit=100).items:
        assert spool.remaining_g == pytest.approx(9000.0 - taken[spool.id], abs=1e-3)


def test_every_move_has_its_reason_and_none_comes_soon_after_another_but_for_need(day: Met) -> None:
    *_, stores, events = day
    moved = [event for event in events if event.kind == "job.moved"]
    assert all(event.data["reason"] and event.data["from"] for event in moved)
    for job in {event.subject for event in moved}:
        history = [line for line in stores.events.history(job) if line.kind == "job.moved"]
        told = [event for event in moved if event.subject == job]
        assert [line.data["reason"] for line in history] == [event.data["reason"] for event in told]
    assert Counter(event.subject for event in moved).most_common(1)[0][1] <= 4


def test_the_reports_agree_with_the_day(day: Met) -> None:
    _, ours, stores, _ = day
    rows = list(stores.reports.jobs(0.0, 4e9))
    assert [row.state for row in rows] == ["done"] * JOBS
    assert sum(row.moves for row in rows) == ours.moves
    assert sum(row.accepted for row in rows) == ours.good
    assert all(a.job_id < b.job_id for a, b in pairwise(rows))
