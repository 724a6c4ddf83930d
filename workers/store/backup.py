"""Everything of one shop as plain data at one moment, and back.

The reading is one script, so no change falls between two keys; Redis answers nobody else meanwhile. Data are kept by
their Redis types, not as that server writes them to disk, so a backup outlives the server's version.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, cast

import redis
from redis.client import Pipeline

from workers.store.keys import Keys

CHUNK = 1000  # members a command
LEFT_OUT = (
    "bell",
    "geometry-bell",
    "lock:",
    "presence:",
    "rates",
    "session:",
)  # of the moment: nothing is lost with them


@dataclass(frozen=True, slots=True)
class Kept:
    """One key. name: without the shop's prefix; ttl_ms: -1 for ever; content: as snapshot.lua says."""

    name: bytes
    kind: str
    ttl_ms: int
    content: Any


def read_all(client: redis.Redis, keys: Keys) -> list[Kept]:
    """Every key of the shop, at one moment. Raises redis.RedisError."""
    script = files("workers.store").joinpath("snapshot.lua").read_text("utf-8")
    prefix = keys.prefix.encode()
    found = cast(list[Any], client.eval(script, 0, prefix))
    kept = (Kept(name.removeprefix(prefix), kind.decode(), ttl, content) for name, kind, ttl, content in found)
    return [one for one in kept if not one.name.startswith(tuple(word.encode() for word in LEFT_OUT))]


def is_empty(client: redis.Redis, keys: Keys) -> bool:
    """Whether nothing of the shop is stored."""
    found = client.scan_iter(match=f"{keys.prefix}*", count=1000)
    skipped = tuple(f"{keys.prefix}{word}".encode() for word in (*LEFT_OUT, "schema"))
    return all(name.startswith(skipped) for name in found)


def write_all(client: redis.Redis, keys: Keys, kept: Iterable[Kept]) -> int:
    """Write everything in one MULTI, or nothing. Returns how many keys. The shop must be empty."""
    count = 0
    with client.pipeline(transaction=True) as pipe:
        for one in kept:
            _write(pipe, keys.prefix.encode() + one.name, one)
            count += 1
        pipe.execute()
    return count


def _write(pipe: Pipeline, name: bytes, one: Kept) -> None:
    if one.kind == "string":
        pipe.set(name, one.content)
    elif one.kind == "stream":
        _write_stream(pipe, name, one.content)
    else:
        for chunk in _chunks(one.content):
            pipe.execute_command(*_COMMANDS[one.kind](name, chunk))  # type: ignore[no-untyped-call]
    if one.ttl_ms >= 0:
        pipe.pexpire(name, max(one.ttl_ms, 1))


def _write_stream(pipe: Pipeline, name: bytes, content: Any) -> None:
    """Ids go on from the last one given out, even if its entry is gone: readers resume by them."""
    last, entries = content
    for entry_id, fields in entries:
        pipe.execute_command("XADD", name, entry_id, *fields)  # type: ignore[no-untyped-call]
    if not entries:  # a stream that is only its last id
        pipe.execute_command("XADD", name, "MAXLEN", 0, last if last != b"0-0" else "0-1", "x", "x")  # type: ignore[no-untyped-call]
    pipe.execute_command("XSETID", name, last if last != b"0-0" or not entries else entries[-1][0])  # type: ignore[no-untyped-call]


def _chunks(flat: list[Any]) -> Iterator[list[Any]]:
    for start in range(0, len(flat), 2 * CHUNK):  # even, so that pairs stay together
        yield flat[start : start + 2 * CHUNK]


def _zadd(name: bytes, flat: list[Any]) -> list[Any]:
    pairs = zip(flat[1::2], flat[::2], strict=True)
    return ["ZADD", name, *(value for pair in pairs for value in pair)]


_COMMANDS = {
    "hash": lambda name, flat: ["HSET", name, *flat],
    "list": lambda name, flat: ["RPUSH", name, *flat],
    "set": lambda name, flat: ["SADD", name, *flat],
    "zset": _zadd,
}
