"""`borewright backup` and `restore`, and versions of the data: on a real Redis, compared by Redis's own DUMP."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
import redis

from service import cli
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from workers.store.backup import read_all
from workers.store.keys import Keys
from workers.store.schema import SCHEMA, NewerStoreError, bring_forward
from workers.tasks.routing import drain_inbox

KEYS = Keys()


@pytest.fixture(autouse=True)
def _named(redis_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BOREWRIGHT_REDIS_URL", redis_url)


def filled(shop: Caller) -> Caller:
    """A shop with routed and waiting jobs, a key, a webhook's secret, and one of each Redis type."""
    for _ in range(3):
        shop.made("/v1/jobs", bodies.job())
    drain_inbox(shop.stores, "test")
    shop.made("/v1/jobs", bodies.job())
    shop.stores.access.create("0" * 26, "chief", ())
    shop.stores.client.sadd(KEYS.part_jobs("p"), *(f"job-{n}" for n in range(3000)))
    shop.stores.client.set(KEYS.part_mesh("p"), bytes(range(256)) * 10, px=10**9)
    return shop


def contents(client: redis.Redis) -> dict[bytes, object]:
    """Every key by Redis's own reading commands."""
    read = {
        b"string": client.get,
        b"hash": client.hgetall,
        b"set": client.smembers,
        b"list": lambda name: client.lrange(name, 0, -1),
        b"zset": lambda name: client.zrange(name, 0, -1, withscores=True),
        b"stream": lambda name: (client.xrange(name), client.xinfo_stream(name)["last-generated-id"]),
    }
    return {name: read[client.type(name)](name) for name in client.scan_iter() if b"bell" not in name}


def test_what_is_restored_is_what_was_backed_up(
    shop: Caller, redis_client: redis.Redis, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    filled(shop)
    file = tmp_path / "shop.backup"
    assert cli.main(["backup", str(file)]) == 0
    before = {k: v for k, v in contents(redis_client).items() if k.startswith(KEYS.prefix.encode())}
    redis_client.flushall()
    assert cli.main(["restore", str(file)]) == 0
    assert contents(redis_client) == before
    assert {redis_client.type(name) for name in before} == {b"string", b"hash", b"set", b"list", b"zset", b"stream"}
    assert 0 < redis_client.pttl(KEYS.part_mesh("p")) <= 10**9
    assert "read back and found whole" in capsys.readouterr().out


def test_a_restored_shop_goes_on_where_it_was(shop: Caller, redis_client: redis.Redis, tmp_path: Path) -> None:
    """The job that waited is routed, and events go on behind the last one."""
    filled(shop)
    last = shop.stores.events.last_id()
    cli.main(["backup", str(tmp_path / "b")])
    redis_client.flushall()
    cli.main(["restore", str(tmp_path / "b")])
    assert drain_inbox(shop.stores, "test") == 1
    after = shop.stores.events.after(last)
    assert [one.kind for one in after] == ["job.routed"]


def test_a_backup_is_of_one_moment_for_its_reader_only(shop: Caller, tmp_path: Path) -> None:
    """Others on the machine cannot read it: it holds webhook secrets."""
    file = tmp_path / "b"
    cli.main(["backup", str(file)])
    assert file.stat().st_mode & 0o077 == 0
    assert [one.name for one in tmp_path.iterdir()] == ["b"]


def test_a_shop_that_is_not_empty_is_left_alone(
    shop: Caller, redis_client: redis.Redis, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cli.main(["backup", str(tmp_path / "b")])
    before = contents(redis_client)
    assert cli.main(["restore", str(tmp_path / "b")]) == 2
    assert "is not empty" in capsys.readouterr().err
    assert contents(redis_client) == before


def damaged(raw: bytes) -> dict[str, bytes]:
    inside = gzip.decompress(raw)
    flipped = bytearray(inside)
    flipped[len(inside) // 2] ^= 1
    return {
        "cut off": raw[: len(raw) // 2],
        "a changed byte": gzip.compress(bytes(flipped)),
        "no end": gzip.compress(inside[:-90]),
        "a record left out": gzip.compress(inside[: len(inside) // 3]),
        "not gzip": b"hello",
        "another gzip": gzip.compress(b"hello"),
        "empty": b"",
        "an absurd length": gzip.compress(b"\xff" * 64),
    }


@pytest.mark.parametrize("kind", sorted(damaged(gzip.compress(b"x" * 300))))
def test_a_damaged_file_is_refused_and_nothing_written(
    shop: Caller, redis_client: redis.Redis, tmp_path: Path, kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "b"
    cli.main(["backup", str(file)])
    file.write_bytes(damaged(file.read_bytes())[kind])
    redis_client.flushall()
    assert cli.main(["restore", str(file)]) == 2
    assert capsys.readouterr().err.startswith("borewright: ")
    assert redis_client.dbsize() == 0


def test_a_folder_that_cannot_be_written_is_said(shop: Caller, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["backup", "/proc/none/b"]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_only_this_shop_s_keys_are_taken(shop: Caller, redis_client: redis.Redis) -> None:
    redis_client.set("bw:{other}:x", 1)
    redis_client.set("foreign", 1)
    names = {one.name for one in read_all(redis_client, KEYS)}
    assert b"machines" in names
    assert not {name for name in names if b"other" in name or b"foreign" in name}


# --- versions of the data ---------------------------------------------------------------------------------------


def test_data_of_a_newer_program_are_left_alone(shop: Caller, redis_client: redis.Redis) -> None:
    redis_client.set(KEYS.schema, SCHEMA + 1)
    with pytest.raises(NewerStoreError, match="run a newer one"):
        bring_forward(redis_client, KEYS)
    assert redis_client.get(KEYS.schema) == str(SCHEMA + 1).encode()


def test_the_api_says_that_the_data_are_newer(redis_client: redis.Redis, api: Caller) -> None:
    redis_client.set(KEYS.schema, SCHEMA + 1)
    answer = api.post("/v1/machines", bodies.machine())
    assert answer.status_code == 503
    assert "run a newer one" in answer.json["detail"]
    assert api.get("/readyz").status_code == 503
    assert api.get("/healthz").status_code == 200
    redis_client.set(KEYS.schema, SCHEMA)
    api.stores.presence.beat("routing", "r")
    assert api.get("/readyz").status_code == 200


def test_a_worker_does_not_touch_newer_data(redis_client: redis.Redis, capsys: pytest.CaptureFixture[str]) -> None:
    redis_client.set(KEYS.schema, SCHEMA + 1)
    assert cli.main(["worker", "--queue", "routing"]) == 2
    assert "run a newer one" in capsys.readouterr().err


def test_older_data_are_brought_forward_step_by_step(redis_client: redis.Redis) -> None:
    steps = {
        1: lambda client, keys: client.rename(keys.kind("old"), keys.kind("new")),
        2: lambda client, keys: client.hset(keys.kind("new"), "b", "2"),
    }
    redis_client.hset(KEYS.kind("old"), "a", "1")
    assert bring_forward(redis_client, KEYS, to=3, migrations=steps) == 1
    assert redis_client.hgetall(KEYS.kind("new")) == {b"a": b"1", b"b": b"2"}
    assert bring_forward(redis_client, KEYS, to=3, migrations={}) == 3


def test_every_version_has_its_step_forward() -> None:
    from workers.store.schema import MIGRATIONS

    assert set(MIGRATIONS) == set(range(1, SCHEMA))
