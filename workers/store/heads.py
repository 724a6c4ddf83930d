"""The first jobs of many dispatch lists at once: what a page of the whole shop shows; kept between pages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import redis

from workers.model.codec import from_json
from workers.model.dispatch import DispatchList, Entry, Listed
from workers.store.claims import claim_of
from workers.store.dispatch import COUNTS
from workers.store.keys import Keys


@dataclass(frozen=True, slots=True)
class Head:
    """The beginning of one list (times of its jobs do not depend on the rest), and how many jobs it has in all."""

    list: DispatchList
    total: int


def heads(client: redis.Redis, keys: Keys, machine_ids: Sequence[str], most: int) -> dict[str, Head]:
    """The first ``most`` jobs of each machine's list: two round trips for all. Not one moment: a page, no decision."""
    return {machine_id: kept.head for machine_id, kept in _read(client, keys, machine_ids, most).items()}


class KeptHeads:
    """The same, read again only for the machines whose list or claim has changed since: two small round trips.

    Every change of a list, and of where copies of its jobs stand, raises the list's version; every renewal that of the
    claim. Versions are read before the rest, so what is kept is never older than it says. One for all threads.
    """

    def __init__(self, client: redis.Redis, keys: Keys, most: int) -> None:
        self._client, self._keys, self._most = client, keys, most
        self._kept: dict[str, _Kept] = {}

    def newest(self, machine_ids: Sequence[str]) -> dict[str, Head]:
        if not machine_ids:
            return {}
        signs = self._signs(machine_ids)
        changed = [m for m in machine_ids if m not in self._kept or self._kept[m].sign != signs[m]]
        fresh = _read(self._client, self._keys, changed, self._most) if changed else {}
        self._kept.update(fresh)
        return {m: (fresh.get(m) or self._kept[m]).head for m in machine_ids}

    def _signs(self, machine_ids: Sequence[str]) -> dict[str, _Sign]:
        versions: Any = self._client.hmget(self._keys.dispatch_versions, list(machine_ids))
        holders: Any = self._client.hmget(self._keys.holders, list(machine_ids))
        with self._client.pipeline(transaction=False) as pipe:
            for holder in holders:
                if holder:
                    pipe.hget(self._keys.claim(holder.decode()), "version")
            claims = iter(pipe.execute())
        return {
            m: (version, holder, next(claims) if holder else None)
            for m, version, holder in zip(machine_ids, versions, holders, strict=True)
        }


_Sign = tuple[bytes | None, bytes | None, bytes | None]  # version of the list; claim, and its version


@dataclass(frozen=True, slots=True)
class _Kept:
    sign: _Sign
    head: Head


def _read(client: redis.Redis, keys: Keys, machine_ids: Sequence[str], most: int) -> dict[str, _Kept]:
    with client.pipeline(transaction=False) as pipe:
        for machine_id in machine_ids:
            pipe.hget(keys.dispatch_versions, machine_id)
            pipe.zcard(keys.dispatch_list(machine_id))
            pipe.zrange(keys.dispatch_list(machine_id), 0, most - 1, withscores=True)
            pipe.hget(keys.holders, machine_id)
        found = pipe.execute()
    rows = [_First(m, *found[4 * i : 4 * i + 4]) for i, m in enumerate(machine_ids)]
    return dict(zip(machine_ids, _filled(client, keys, rows), strict=True))


@dataclass(frozen=True, slots=True)
class _First:
    machine_id: str
    version: bytes | None
    total: int
    places: list[tuple[bytes, float]]
    holder: bytes | None


def _filled(client: redis.Redis, keys: Keys, rows: Sequence[_First]) -> list[_Kept]:
    with client.pipeline(transaction=False) as pipe:
        for row in rows:
            pipe.hgetall(keys.claim((row.holder or b"").decode()))
            if row.places:
                pipe.hmget(keys.dispatch_entries(row.machine_id), [raw.decode() for raw, _ in row.places])
            for raw, _ in row.places:
                pipe.hmget(keys.job(raw.decode()), COUNTS)
        answers = iter(pipe.execute())
    made = []
    for row in rows:
        claim = next(answers)
        entries = next(answers) if row.places else []
        counts = [next(answers) for _ in row.places]
        made.append(_head(row, claim, entries, counts))
    return made


def _head(row: _First, claim: Mapping[bytes, bytes], entries: Sequence[bytes | None], counts: Sequence[Any]) -> _Kept:
    listed = tuple(
        Listed(
            entry=from_json(entry, Entry),
            place=place,
            **{name: int(raw or 0) for name, raw in zip(COUNTS, count, strict=True)},
        )
        for (_, place), entry, count in zip(row.places, entries, counts, strict=True)
        if entry is not None
    )
    held = claim_of(row.holder.decode(), claim) if row.holder and claim else None
    known = DispatchList(machine_id=row.machine_id, version=int(row.version or 0), listed=listed, claim=held)
    sign = (row.version, row.holder, claim.get(b"version") if row.holder else None)
    return _Kept(sign, Head(known, row.total))
