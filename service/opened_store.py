"""The shop's stores for one command, whether the service runs or not."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import redis

from service.folder_lock import FolderLock
from service.redis_server import SOCKET_NAME, EmbeddedRedis
from service.settings import Settings
from workers.store.connection import connect
from workers.store.stores import Stores, open_stores

ONE_SCRIPT_S = 120.0  # a backup reads everything in one script


class NoStoreError(RuntimeError):
    """There is no store to open; the text is one sentence for the user."""


@contextmanager
def opened(settings: Settings, *, create: bool = False) -> Iterator[Stores]:
    """The shop's stores: of the Redis that is named, of the running service's own, or of one started for this.

    create: make the data folder where there is none. Raises NoStoreError, FolderInUseError, RedisServerError.
    """
    if settings.redis_url is not None:
        yield _stores(settings, settings.redis_url)
        return
    folder = settings.data_dir.absolute() / "redis"
    socket = folder / SOCKET_NAME
    if _answers(f"unix://{socket}"):
        yield _stores(settings, f"unix://{socket}")
        return
    if not create and not folder.is_dir():
        raise NoStoreError(f"There is no Borewright data in {settings.data_dir}; name the folder with --data.")
    with FolderLock(settings.data_dir.absolute()), EmbeddedRedis(folder) as server:
        yield _stores(settings, server.url)


def _stores(settings: Settings, url: str) -> Stores:
    return open_stores(connect(url, timeout_s=ONE_SCRIPT_S), settings.shop)


def _answers(url: str) -> bool:
    try:
        with redis.Redis.from_url(url, socket_timeout=2.0) as client:
            return bool(client.ping())
    except redis.RedisError:
        return False
