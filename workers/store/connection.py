"""One way to open Redis."""

from __future__ import annotations

import redis
from redis.backoff import ExponentialBackoff
from redis.retry import Retry

from workers.model.errors import UnavailableError
from workers.store.patience import Patience, patient


def connect(url: str, *, timeout_s: float = 5.0, answers_others: bool = False) -> redis.Redis:
    """A client with its own pool. Reads and writes give up after ``timeout_s``.

    Nothing is tried again here: a write whose answer was lost is never sent twice. ``answers_others``: for a process
    whose callers wait, see :mod:`workers.store.patience`.
    """
    client = redis.Redis.from_url(
        url,
        socket_timeout=timeout_s,
        socket_connect_timeout=timeout_s,
        health_check_interval=30,
        retry=Retry(ExponentialBackoff(cap=0.5, base=0.02), 0),
    )
    if answers_others:
        pool = client.connection_pool
        pool.connection_class = patient(pool.connection_class, Patience(timeout_s))
    return client


def unavailable(error: redis.RedisError) -> UnavailableError:
    """The domain error for a store that cannot be reached or refuses to write."""
    return UnavailableError(f"the store does not answer: {type(error).__name__}")
