"""Which workers are heard of: each leaves a sign every few seconds, timed by the store's clock, not its host's."""

from __future__ import annotations

from typing import Any

import redis

from workers.store.keys import Keys

FORGET_S = 3600.0  # a silent worker is told for so long: longer than it takes somebody to look


class Liveness:
    """Signs of life of the workers of all hosts."""

    def __init__(self, client: redis.Redis, keys: Keys) -> None:
        self._redis, self._keys = client, keys

    def note(self, queue: str, worker: str) -> None:
        """The worker serves the queue now."""
        now = self._now_s()
        with self._redis.pipeline(transaction=False) as pipe:
            pipe.zadd(self._keys.workers_heard, {f"{queue} {worker}": now})
            pipe.zremrangebyscore(self._keys.workers_heard, "-inf", now - FORGET_S)
            pipe.execute()

    def forget(self, queue: str, worker: str) -> None:
        """It was told to stop: nobody need miss it."""
        self._redis.zrem(self._keys.workers_heard, f"{queue} {worker}")

    def silent_s(self) -> dict[tuple[str, str], float]:
        """(queue, worker) -> seconds since its last sign."""
        found: Any = self._redis.zrange(self._keys.workers_heard, 0, -1, withscores=True)
        now = self._now_s()
        return {_names(member): max(now - heard, 0.0) for member, heard in found}

    def _now_s(self) -> float:
        seconds, micros = self._redis.time()
        return float(seconds) + float(micros) / 1e6


def _names(member: bytes) -> tuple[str, str]:
    queue, _, worker = member.decode().partition(" ")
    return queue, worker
