"""Is a worker at work? Answered from what RQ's workers register in Redis."""

from __future__ import annotations

import socket

import redis
from rq import Worker
from rq.serializers import JSONSerializer
from rq.worker import BaseWorker


def worker_is_registered(client: redis.Redis, pid: int) -> bool:
    """Say whether the worker with this process id on this host has signed on; False while Redis is away."""
    try:
        return any(one.pid == pid for one in _workers_here(client))
    except redis.RedisError:
        return False


def queue_is_served_here(client: redis.Redis, queue: str) -> bool:
    """Say whether a worker on this host serves the queue. Raises redis.RedisError.

    RQ drops a worker that was not heard of within its time to live, so one that hangs is missed after that.
    """
    return any(queue in one.queue_names() for one in _workers_here(client))


def _workers_here(client: redis.Redis) -> list[BaseWorker]:
    here = socket.gethostname()
    return [one for one in Worker.all(connection=client, serializer=JSONSerializer) if one.hostname == here]
