"""A day at 1,000 times speed and more: the service's rule against first come to the first free machine.

Run: python -m tests.benchmarks.bench_day [days]. Every day is another seed; both rules meet the same one.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

import redis

from service.app import create_app
from service.redis_server import EmbeddedRedis, find_redis_server
from service.settings import Settings
from tests.simulation.day import Day, Figures, Plan, plan
from tests.simulation.rules import FirstFree, Service
from workers.store.stores import Stores, open_stores

SHOWN = (
    "late",
    "late_h",
    "weighted_late_h",
    "flow_h",
    "setups",
    "setup_h",
    "good",
    "scrapped",
    "lost",
    "moves",
    "last_h",
)


@contextmanager
def simulated_time() -> Iterator[list[float]]:
    """time.time() is what the list says; real time before anything is said, so that ids rise."""
    now = [time.time()]
    with patch("time.time", lambda: now[0]):
        yield now


def by_the_service(the_plan: Plan, url: str) -> tuple[Figures, Stores]:
    """The day with the service on an empty store."""
    client = redis.Redis.from_url(url)
    client.flushall()
    with simulated_time() as now:
        begin = now[0]
        app = create_app(Settings(redis_url=url))
        stores = open_stores(client, clock=lambda: now[0])
        rule = Service(the_plan, app.test_client(), stores, lambda at_h: begin + at_h * 3600.0)

        def clock(at_h: float) -> None:
            now[0] = begin + at_h * 3600.0

        figures = Day(the_plan, rule, clock).run()
        figures.moves = rule.moved
    return figures, stores


def by_the_naive_rule(the_plan: Plan) -> Figures:
    return Day(the_plan, FirstFree(the_plan)).run()


def main(days: int) -> None:
    totals = {"first free machine": Counter(), "dispatch lists": Counter()}
    with tempfile.TemporaryDirectory() as folder, EmbeddedRedis(Path(folder), find_redis_server()) as server:
        redis.Redis.from_url(server.url).config_set("appendfsync", "everysec")  # the disk is not what is tried here
        begin, simulated = time.monotonic(), 0.0
        for seed in range(days):
            the_plan = plan(seed)
            for name, figures in (
                ("first free machine", by_the_naive_rule(the_plan)),
                ("dispatch lists", by_the_service(the_plan, server.url)[0]),
            ):
                assert set(figures.ended.values()) == {1}
                assert len(figures.ended) == figures.jobs
                totals[name].update({one: getattr(figures, one) for one in SHOWN})
                print(f"day {seed} {name:20}", _row({one: getattr(figures, one) for one in SHOWN}))
                simulated += figures.last_h / 2
        took = time.monotonic() - begin
    for name, total in totals.items():
        print(f"{days} days {name:20}", _row(total))
    print(f"{simulated:.0f} simulated hours in {took:.0f} s: {simulated * 3600 / took:,.0f} times as fast")


def _row(row: dict[str, float]) -> str:
    return "  ".join(
        f"{name} {value:.1f}" if isinstance(value, float) else f"{name} {value}" for name, value in row.items()
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
