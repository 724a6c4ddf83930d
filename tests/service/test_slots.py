"""The keys are laid out for Redis Cluster: all of one shop lie in one hash slot, and RQ's own are apart.

Source: Redis Cluster specification, "Key distribution model", "Hash tags" and appendix A (CRC-16/XMODEM; its check
value for "123456789" is 0x31C3).
"""

from __future__ import annotations

import inspect
import os
import socket
import subprocess
import time
from binascii import crc_hqx
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import redis
from redis.crc import key_slot
from rq import Queue

from service.app import create_app
from service.redis_server import EmbeddedRedis
from service.settings import Settings
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from workers import tasks
from workers.model.job import JobState
from workers.store.keys import Keys
from workers.tasks import geometry, long_tasks, routing

SLOTS = 16384
AWKWARD = ("a", "x{y}z", "}{", "{}", "ü", "a:b/c")


def slot_of(key: str) -> int:
    """As the specification says: what stands between the first { and the first } after it, unless that is nothing."""
    begin = key.find("{")
    end = key.find("}", begin + 1)
    hashed = key[begin + 1 : end] if begin >= 0 and end > begin + 1 else key
    return crc_hqx(hashed.encode(), 0) % SLOTS


def test_the_slot_is_the_specification_s() -> None:
    assert crc_hqx(b"123456789", 0) == 0x31C3
    assert slot_of("{user1000}.following") == slot_of("{user1000}.followers")
    assert slot_of("foo{}{bar}") == crc_hqx(b"foo{}{bar}", 0) % SLOTS
    assert slot_of("foo{{bar}}zap") == crc_hqx(b"{bar", 0) % SLOTS
    assert slot_of("foo{bar}{zap}") == slot_of("bar")
    for key in ("123456789", "{user1000}.following", "foo{}{bar}", "foo{{bar}}zap", "foo{bar}{zap}"):
        assert slot_of(key) == key_slot(key.encode())  # redis-py's own


def names_of(keys: Keys) -> Iterator[str]:
    """Every name that the keys can give, made of awkward parts."""
    for name, member in inspect.getmembers(Keys):
        if name.startswith("_") or name == "shop":
            continue
        if isinstance(member, property):
            yield getattr(keys, name)
        else:
            wanted = len(inspect.signature(member).parameters) - 1
            yield from (getattr(keys, name)(*[part] * wanted) for part in AWKWARD)


@pytest.mark.parametrize("shop", ["main", "a", "second-shop_2"])
def test_every_key_of_a_shop_lies_in_the_shop_s_slot(shop: str) -> None:
    names = list(names_of(Keys(shop)))
    assert len(names) > 100
    assert {slot_of(name) for name in names} == {slot_of(shop)}


def test_shops_are_spread_over_the_slots() -> None:
    assert len({slot_of(Keys(f"shop-{i}").jobs) for i in range(100)}) > 95


@pytest.fixture
def cluster_node(tmp_path: Path, redis_binary: Path) -> Iterator[redis.Redis]:
    """A node of a cluster that holds every slot: it refuses what touches two of them at once (CROSSSLOT)."""
    server = EmbeddedRedis(tmp_path, redis_binary)
    command = [*server.command, "--cluster-enabled", "yes", "--bind", "127.0.0.1", "--port", str(_free_port())]
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL)
    try:
        client = redis.Redis(unix_socket_path=str(server.socket))
        _until(server.is_ready)
        client.execute_command("CLUSTER ADDSLOTS", *range(SLOTS))
        _until(lambda: client.execute_command("CLUSTER INFO")["cluster_state"] == "ok")
        yield client
    finally:
        process.kill()
        process.wait()
        server.close()


def _free_port() -> int:
    """Free, and so is the port 10,000 above it, where nodes of a cluster talk."""
    for port in range(20_000 + os.getpid() % 10_000, 50_000):
        with (
            suppress(OSError),
            socket.create_server(("127.0.0.1", port)),
            socket.create_server(("127.0.0.1", port + 10_000)),
        ):
            return port
    raise AssertionError("no port is free")


def _until(met: Callable[[], Any]) -> None:
    for _ in range(1000):
        if met():
            return
        time.sleep(0.02)
    raise AssertionError("the node did not come up")


def test_everything_but_the_doorbells_works_on_a_node_of_a_cluster(
    cluster_node: redis.Redis, redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """RQ's keys carry no tag, and its transactions touch many: they are put on a Redis of their own here."""
    with pytest.raises(redis.RedisError, match="same slot"):
        cluster_node.mset({"{one}": 1, "{two}": 2})
    for module in (routing, geometry, long_tasks):
        monkeypatch.setattr(module, "Queue", lambda name, connection, serializer: Queue(name, connection=redis_client))
    url = f"unix://{tmp_path / 'redis.sock'}"
    work_a_day(Caller(create_app(Settings(redis_url=url, rate_limit_per_min=10_000))))

    kept = [name.decode() for name in cluster_node.scan_iter(count=1000)]
    assert {slot_of(name) for name in kept} == {slot_of("main")}
    assert any(":rates" in name for name in kept)
    rung = {name.split(b":")[0] for name in redis_client.scan_iter(count=1000)}
    assert rung == {b"rq"}


def work_a_day(api: Caller) -> None:
    """Hand in, cancel, route, bind, claim, finish, learn; a part, a plan, a webhook: most of what the store does."""
    stores = api.stocked().stores
    stores.presence.beat("routing", "test")
    api.made("/v1/webhooks", {"url": "https://example.org/hook"})
    one = api.post("/v1/jobs", bodies.job(), Idempotency_Key='"one"').json
    api.made("/v1/job-batches", {"jobs": [bodies.job(name=f"part {i}") for i in range(3)]})
    gone = api.made("/v1/jobs", bodies.job())
    assert api.post(f"/v1/jobs/{gone['id']}/cancellation", {}, If_Match='"1"').status_code == 200
    part = api.made("/v1/parts", {"name": "plate", "summary": bodies.summary()})
    api.made("/v1/jobs", {"name": "of a part", "part_id": part["id"], "material": {"material_ids": ["pla-grey"]}})
    tasks.drain_and_bind(stores, "test")
    assert stores.jobs.counts()[JobState.BOUND] == 5
    claim = api.made("/v1/claims", {"machine_id": "alder", "claimant": "agent"})
    assert api.post(f"/v1/claims/{claim['id']}/finish", {"accepted": True}).status_code == 200
    tasks.watch_claims(stores)
    tasks.watch_changes(stores)
    api.made("/v1/plans", {"seconds": 1})
    assert tasks.run_next(stores, "test")
    pages = ("/readyz", "/metrics", "/v1/events", "/v1/audit", "/v1/coverage", "/v1/reports/machines")
    for path in (*pages, f"/v1/jobs/{one['id']}/routing"):
        assert api.get(path).status_code == 200, path
