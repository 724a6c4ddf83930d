"""A small shop that can print and asks for keys, for every test of the contract."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import pytest
import redis
from flask import Flask
from schemathesis.config import SchemathesisConfig

from service.app import create_app
from service.settings import Settings
from tests.service.conftest import Caller
from workers.model.access import Scope
from workers.store import presence

# What a request that the description allows may meet: conflicts, absent things, stale versions.
CONFIG = SchemathesisConfig.from_dict(
    {"checks": {"positive_data_acceptance": {"expected-statuses": ["2xx", 304, 401, 403, 404, 409, 412]}}}
)


JUDGED: Counter[str] = Counter()  # requests whose answers were judged, by kind


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    shares = ", ".join(f"{count:,} {kind}" for kind, count in sorted(JUDGED.items()))
    if JUDGED:
        terminalreporter.write_line(f"contract: {JUDGED.total():,} requests judged ({shares})")


@pytest.fixture(scope="module")
def app(redis_url: str) -> Iterator[Flask]:
    """On a Redis with nothing else in it, where a worker was heard of. Nobody works off what waits, so limits on it are
    out of reach."""
    with redis.Redis.from_url(redis_url) as client:
        client.flushall()
    Caller(create_app(Settings(redis_url=redis_url))).stocked().stores.presence.beat("routing", "contract")
    limits = {"analyses_limit": 100_000, "analyses_limit_bytes": 1024**4}
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(presence, "HEARD_S", 3600.0)
        yield create_app(Settings(redis_url=redis_url, access="keys", **limits))


@pytest.fixture(scope="module")
def key(app: Flask) -> dict[str, str]:
    _, text = Caller(app).stores.access.create("0" * 26, "contract", tuple(Scope))
    return {"Authorization": f"Bearer {text}"}


def clear_long_tasks(app: Flask) -> None:
    """Past a number of long tasks that wait no more are accepted (503), and nobody works them off here."""
    stores = Caller(app).stores
    stores.client.delete(stores.keys.long_tasks_open)
