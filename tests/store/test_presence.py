"""Which workers live: by what they last said, on a real Redis."""

from __future__ import annotations

import redis

from workers.store.presence import FORGOTTEN_S, HEARD_S
from workers.store.stores import open_stores

QUEUES = ("routing", "geometry")


def test_a_worker_lives_as_long_as_it_says_so(redis_client: redis.Redis) -> None:
    stores = open_stores(redis_client)
    assert stores.presence.living(QUEUES) == {"routing": 0, "geometry": 0}
    stores.presence.beat("routing", "a")
    stores.presence.beat("routing", "a")
    stores.presence.beat("routing", "b")
    assert stores.presence.living(QUEUES) == {"routing": 2, "geometry": 0}
    stores.presence.leave("routing", "b")
    assert stores.presence.living(QUEUES)["routing"] == 1


def test_a_silent_one_and_one_of_another_time_do_not_count(redis_client: redis.Redis) -> None:
    stores = open_stores(redis_client)
    now, name = redis_client.time()[0], stores.keys.presence("routing")
    redis_client.zadd(
        name, {"silent": now - HEARD_S - 2, "of-tomorrow": now + 86_400, "long-gone": now - FORGOTTEN_S - 2}
    )
    assert stores.presence.living(QUEUES)["routing"] == 0
    stores.presence.beat("routing", "a")
    assert stores.presence.living(QUEUES)["routing"] == 1
    assert redis_client.zscore(name, "long-gone") is None
