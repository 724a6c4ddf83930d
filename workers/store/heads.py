"""The first jobs of many dispatch lists at once: what a page of the whole shop shows."""

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


def _filled(client: redis.Redis, keys: Keys, rows: Sequence[_First]) -> list[Head]:
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


def _head(row: _First, claim: Mapping[bytes, bytes], entries: Sequence[bytes | None], counts: Sequence[Any]) -> Head:
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
    return Head(
        DispatchList(machine_id=row.machine_id, version=int(row.version or 0), listed=listed, claim=held), row.total
    )
