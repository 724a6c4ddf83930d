"""What many tests share: a real Redis server of their own, the browser's path, and the rule on skipping.

With BOREWRIGHT_REQUIRE_ALL=1 a skipped test is a failed test: a machine that is meant to run everything must
not pass by leaving things out.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
import redis

from service.redis_server import EmbeddedRedis, RedisServerError, find_redis_server

CHROMIUM = Path("/usr/bin/chromium")


def nothing_may_be_skipped() -> bool:
    return os.environ.get("BOREWRIGHT_REQUIRE_ALL", "") not in ("", "0")


def _refuse_skip(report: pytest.TestReport | pytest.CollectReport) -> None:
    if not report.skipped or hasattr(report, "wasxfail"):
        return
    reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
    report.outcome = "failed"
    report.longrepr = f"BOREWRIGHT_REQUIRE_ALL is set, so this may not be skipped: {reason}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    if nothing_may_be_skipped():
        _refuse_skip(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector):
    report = yield
    if nothing_may_be_skipped():
        _refuse_skip(report)
    return report


@pytest.fixture(scope="session")
def redis_binary() -> Path:
    """A Redis or Valkey server binary of version 6.2 or later."""
    try:
        return find_redis_server()
    except RedisServerError as error:
        pytest.skip(str(error))


@pytest.fixture(scope="session")
def redis_server(redis_binary: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[EmbeddedRedis]:
    """A real server for the whole session, on its own unix socket, every write on disk before its answer."""
    with EmbeddedRedis(tmp_path_factory.mktemp("redis"), redis_binary) as server:
        yield server


@pytest.fixture(scope="session")
def redis_url(redis_server: EmbeddedRedis) -> str:
    return redis_server.url


@pytest.fixture
def redis_client(redis_url: str) -> Iterator[redis.Redis]:
    """A client of the session's server with nothing stored in it; answers are bytes."""
    client = redis.Redis.from_url(redis_url)
    client.flushall()
    yield client
    client.close()


@pytest.fixture(scope="session")
def chromium() -> Path:
    """The path of Debian's own Chromium; tests that use it carry the marker `browser`."""
    if not CHROMIUM.is_file():
        pytest.skip(f"there is no Chromium at {CHROMIUM} (Debian: apt-get install chromium fonts-dejavu-core)")
    return CHROMIUM
