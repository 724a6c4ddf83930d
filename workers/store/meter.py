"""Figures for those who run the service, kept in Redis so that all processes count as one."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import redis

from workers.model.job import JobState
from workers.store.keys import Keys

WAIT_BOUNDS_S = (0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0, 60.0, 300.0)
BATCH_BOUNDS = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0)
WAIT, BATCH = "wait", "batch"
MICRO = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Histogram:
    """bounds: upper, rising; counts: one more than bounds, each of its own bucket; total: the sum of all values."""

    bounds: tuple[float, ...]
    counts: tuple[int, ...]
    total: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Everything at one moment. oldest_s: how long the first job of the inbox has waited, 0 with none."""

    jobs: Mapping[JobState, int]
    counters: Mapping[str, int]
    inbox: int
    oldest_s: float
    parts_waiting: int
    claims_held: int
    evidence_sums: int
    outcomes: int
    dead_letters: int
    wait: Histogram
    batch: Histogram


class Meter:
    """Reads what the other repositories write, and counts batches and waits itself."""

    def __init__(self, client: redis.Redis, keys: Keys) -> None:
        self._redis, self._keys = client, keys

    def note_batch(self, waits_s: Sequence[float]) -> None:
        """One batch was committed whose jobs had waited so long, each. Counted in whole microseconds: they add up."""
        if not waits_s:
            return
        fields: Counter[str] = Counter()
        for wait in waits_s:
            fields[f"{WAIT}_{bisect_left(WAIT_BOUNDS_S, wait)}"] += 1
            fields[f"{WAIT}_sum"] += round(max(wait, 0.0) * MICRO)
        fields[f"{BATCH}_{bisect_left(BATCH_BOUNDS, len(waits_s))}"] += 1
        fields[f"{BATCH}_sum"] += len(waits_s) * MICRO
        with self._redis.pipeline(transaction=True) as pipe:
            for name, count in fields.items():
                pipe.hincrby(self._keys.meter, name, count)
            pipe.execute()

    def read(self) -> Reading:
        keys = self._keys
        with self._redis.pipeline(transaction=False) as pipe:
            for state in JobState:
                pipe.zcard(keys.jobs_in(state))
            pipe.hgetall(keys.counters)
            pipe.hgetall(keys.meter)
            pipe.xlen(keys.inbox)
            pipe.zcard(keys.parts_waiting)
            pipe.zcard(keys.leases)
            pipe.hlen(keys.evidence)
            pipe.zcard(keys.outcomes)
            pipe.hkeys(keys.webhooks)
            found: list[Any] = pipe.execute()
        states, (counters, meter, inbox, parts, claims, sums, outcomes, hooks) = found[:-8], found[-8:]
        return Reading(
            jobs=dict(zip(JobState, states, strict=True)),
            counters={name.decode(): int(count) for name, count in sorted(counters.items())},
            inbox=inbox,
            oldest_s=self._oldest_s(),
            parts_waiting=parts,
            claims_held=claims,
            evidence_sums=sums,
            outcomes=outcomes,
            dead_letters=sum(int(self._redis.llen(keys.dead_letters(hook.decode()))) for hook in hooks),
            wait=_histogram(meter, WAIT, WAIT_BOUNDS_S),
            batch=_histogram(meter, BATCH, BATCH_BOUNDS),
        )

    def _oldest_s(self) -> float:
        """By the store's own clock, which gave the entry its id."""
        first: Any = self._redis.xrange(self._keys.inbox, count=1)
        if not first:
            return 0.0
        seconds, micros = self._redis.time()
        return max(seconds + micros / MICRO - int(first[0][0].split(b"-")[0]) / 1000.0, 0.0)


def _histogram(raw: Mapping[bytes, bytes], name: str, bounds: tuple[float, ...]) -> Histogram:
    counts = tuple(int(raw.get(f"{name}_{i}".encode(), 0)) for i in range(len(bounds) + 1))
    return Histogram(bounds=bounds, counts=counts, total=int(raw.get(f"{name}_sum".encode(), 0)) / MICRO)
