"""The shop's things in Redis: one hash a kind, and one revision number over all of them.

Every change runs as WATCH revision - read - MULTI - write - EXEC, so changes of the shop are serial, rules
that span several things (a slot holds one nozzle) cannot be broken by a race, and equal revisions mean an
equal shop.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import redis
from redis.client import Pipeline

from workers.model.codec import from_json, to_json, to_plain
from workers.model.errors import ConflictError, NotFoundError
from workers.model.job import Emphasis
from workers.model.record import Page
from workers.model.shop import (
    PLURALS,
    Shop,
    T,
    Thing,
    find,
    require_unused,
    require_version,
    subject_of,
    things_of,
)
from workers.store.events import add_event, add_to_history
from workers.store.evidence import evidence_of
from workers.store.keys import Keys

Also = Callable[[Pipeline], None]
SETUPS = frozenset({"nozzle.mounted", "spool.loaded"})  # also in the history of the machine that they are done on


class FleetRepository:
    """Reads and changes the shop. ``clock`` gives UTC epoch seconds."""

    def __init__(self, client: redis.Redis, keys: Keys, clock: Callable[[], float] = time.time) -> None:
        self._redis, self._keys, self._clock = client, keys, clock

    def revision(self) -> int:
        return int(self._redis.get(self._keys.revision) or 0)

    def snapshot(self) -> Shop:
        """The whole shop at one revision."""
        with self._redis.pipeline(transaction=True) as pipe:
            return _read_shop(pipe, self._keys)

    def _things(self) -> Shop:
        """The shop without its evidence, which no rule about things looks at."""
        with self._redis.pipeline(transaction=True) as pipe:
            return _read_shop(pipe, self._keys, evidence=False)

    def get(self, kind: type[T], thing_id: str) -> T:
        """Raises NotFoundError."""
        raw: Any = self._redis.hget(self._keys.kind(PLURALS[kind]), thing_id)
        if raw is None:
            raise NotFoundError(f"no {kind.__name__.lower()} has the id {thing_id!r}")
        return from_json(raw, kind)

    def page(self, kind: type[T], after: str | None = None, limit: int = 50) -> Page[T]:
        """Things of a kind in the order of their ids, behind the id ``after``."""
        rows: Any = self._redis.hgetall(self._keys.kind(PLURALS[kind]))
        ids = sorted(i for i in (key.decode() for key in rows) if after is None or i > after)
        items = tuple(from_json(rows[i.encode()], kind) for i in ids[:limit])
        return Page(items, items[-1].id if len(ids) > limit else None)

    def create(self, thing: T, *, check: Callable[[Shop], None] = lambda _: None, also: Also | None = None) -> T:
        """Keep a new thing. Raises ConflictError where the id is taken, and what ``check`` raises."""

        def plan(shop: Shop) -> list[Thing]:
            if any(other.id == thing.id for other in things_of(shop, type(thing))):
                raise ConflictError(f"a {type(thing).__name__.lower()} with the id {thing.id!r} exists already")
            check(shop)
            return [thing]

        self._change("created", plan, also)
        return thing

    def replace(
        self, thing: T, expected: int, *, check: Callable[[Shop], None] = lambda _: None, kind: str = "changed"
    ) -> T:
        """Put ``thing`` in the place of its version ``expected``; returns it with the next version.

        Raises NotFoundError, VersionMismatchError, and what ``check`` raises.
        """
        result = replace(thing, version=expected + 1)

        def plan(shop: Shop) -> list[Thing]:
            require_version(find(shop, type(thing), thing.id), expected)
            check(shop)
            return [result]

        self._change(kind, plan)
        return result

    def delete(self, kind: type[T], thing_id: str, expected: int) -> None:
        """Raises NotFoundError, VersionMismatchError, ConflictError while something refers to it."""

        def plan(shop: Shop) -> list[Thing]:
            thing = find(shop, kind, thing_id)
            require_version(thing, expected)
            require_unused(shop, thing)
            return [thing]

        self._change("deleted", plan)

    def change(self, kind: str, plan: Callable[[Shop], list[Thing]]) -> list[Thing]:
        """Apply ``plan(shop) -> changed things`` (versions raised by the plan) as one event kind."""
        return self._change(kind, plan)

    def set_emphasis(self, emphasis: Emphasis) -> None:
        """The shop's default weights."""
        with self._redis.pipeline(transaction=True) as pipe:
            pipe.set(self._keys.emphasis, to_json(emphasis))
            pipe.incr(self._keys.revision)
            add_event(pipe, self._keys, "shop.emphasis", "shop/emphasis", self._clock(), to_plain(emphasis))
            pipe.execute()

    def _change(self, verb: str, plan: Callable[[Shop], list[Thing]], also: Also | None = None) -> list[Thing]:
        with self._redis.pipeline(transaction=True) as pipe:
            while True:
                try:
                    pipe.watch(self._keys.revision)  # type: ignore[no-untyped-call]
                    changed = plan(self._things())
                    pipe.multi()
                    for thing in changed:
                        write_thing(pipe, self._keys, verb, thing, self._clock())
                    pipe.incr(self._keys.revision)
                    if also is not None:
                        also(pipe)
                    pipe.execute()
                except redis.WatchError:
                    continue
                return changed


def write_thing(pipe: Pipeline, keys: Keys, verb: str, thing: Thing, at: float) -> None:
    """Queue the thing as it is to be kept (or gone) and its event, inside the caller's MULTI.

    The caller watches what it has read, and raises the revision.
    """
    name = keys.kind(PLURALS[type(thing)])
    if verb == "deleted":
        pipe.hdel(name, thing.id)
    else:
        pipe.hset(name, thing.id, to_json(thing))
    event, data = f"{type(thing).__name__.lower()}.{verb}", event_data(thing)
    add_event(pipe, keys, event, subject_of(thing), at, data)
    if event in SETUPS:
        of_thing = {**data, "id": thing.id}
        add_to_history(pipe, keys, f"machine/{data['machine_id']}", event, at, of_thing)


def event_data(thing: Thing) -> dict[str, Any]:
    """What an event says of a thing: its version and where it sits now."""
    data: dict[str, Any] = {"version": thing.version}
    for name in ("name", "machine_id", "nozzle_id", "material_id", "slot", "state", "state_reason", "remaining_g"):
        if (value := getattr(thing, name, None)) is not None:
            data[name] = value
    return data


def _read_shop(pipe: Pipeline, keys: Keys, evidence: bool = True) -> Shop:
    pipe.get(keys.revision)
    pipe.get(keys.emphasis)
    if evidence:
        pipe.hgetall(keys.evidence)
    for plural in PLURALS.values():
        pipe.hvals(keys.kind(plural))
    revision, emphasis, *rows = pipe.execute()
    sums = rows.pop(0) if evidence else {}
    things: dict[str, Any] = {
        plural: tuple(sorted((from_json(raw, kind) for raw in values), key=lambda thing: thing.id))
        for (kind, plural), values in zip(PLURALS.items(), rows, strict=True)
    }
    return Shop(
        revision=int(revision or 0),
        emphasis=from_json(emphasis, Emphasis) if emphasis else Emphasis(),
        evidence=evidence_of(sums),
        **things,
    )
