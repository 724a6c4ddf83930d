"""One way to open Redis."""

from __future__ import annotations

import redis
from redis.backoff import ExponentialBackoff
from redis.retry import Retry

from workers.model.errors import UnavailableError


def connect(url: str, *, timeout_s: float = 5.0) -> redis.Redis:
    """A client with its own pool. Reads and writes give up after ``timeout_s``.

    A command is tried again only when the connection could not be made: a write whose answer was lost is
    never sent twice.
    """
    return redis.Redis.from_url(
        url,
        socket_timeout=timeout_s,
        socket_connect_timeout=timeout_s,
        health_check_interval=30,
        retry=Retry(ExponentialBackoff(cap=0.5, base=0.02), 0),
    )


def unavailable(error: redis.RedisError) -> UnavailableError:
    """The domain error for a store that cannot be reached or refuses to write."""
    return UnavailableError(f"the store does not answer: {type(error).__name__}")
