"""Which workers live: each says so every few seconds, by the store's own clock."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import redis

from workers.store.keys import Keys

HEARD_S = 10.0  # a worker not heard of for so long is not counted (engineering prior)
FORGOTTEN_S = 3600.0

# KEYS: 1 sorted set worker -> the moment (s) it was last heard of. ARGV: 1 worker, 2 seconds until one is forgotten.
_BEAT = """
local now = redis.call('TIME')[1]
redis.call('ZADD', KEYS[1], now, ARGV[1])
redis.call('ZREMRANGEBYSCORE', KEYS[1], '-inf', now - tonumber(ARGV[2]))
return 1
"""


def heard_of(queues: Sequence[str], silent_s: Mapping[tuple[str, str], float]) -> Counter[str]:
    """How many workers of each queue were heard of lately, 0 too. silent_s: as ``Presence.silent_s`` gives it."""
    heard = Counter(dict.fromkeys(queues, 0))
    heard.update(queue for (queue, _), silent in silent_s.items() if silent <= HEARD_S)
    return heard


class Presence:
    def __init__(self, client: redis.Redis, keys: Keys) -> None:
        self._redis, self._keys = client, keys
        self._beat = client.register_script(_BEAT)

    def beat(self, queue: str, worker: str) -> None:
        """worker: a name that no other has at the same time."""
        self._beat(keys=[self._keys.presence(queue)], args=[worker, FORGOTTEN_S])

    def leave(self, queue: str, worker: str) -> None:
        self._redis.zrem(self._keys.presence(queue), worker)

    def living(self, queues: Sequence[str]) -> Counter[str]:
        """How many workers of each queue were heard of lately."""
        return heard_of(queues, self.silent_s(queues))

    def silent_s(self, queues: Sequence[str]) -> dict[tuple[str, str], float]:
        """(queue, worker) -> seconds since it was last heard of; one that was told to stop is left out.

        A moment that is yet to come, from before the clock was put back, counts as long ago.
        """
        with self._redis.pipeline(transaction=False) as pipe:
            pipe.time()
            for queue in queues:
                pipe.zrange(self._keys.presence(queue), 0, -1, withscores=True)
            (now, _), *found = pipe.execute()
        heard: Any = zip(queues, found, strict=True)
        return {(queue, worker.decode()): abs(float(now - at)) for queue, rows in heard for worker, at in rows}
