"""Which shape the store's data have: newer programs bring older data forward, older ones leave newer data alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import redis

from workers.store.keys import Keys

SCHEMA = 1
Migration = Callable[[redis.Redis, Keys], None]
# From the version in the key to the next. Each may be run again after a crash half-way.
MIGRATIONS: Mapping[int, Migration] = {}


class NewerStoreError(RuntimeError):
    """The data were written by a newer Borewright; the text is one sentence for the user."""


def bring_forward(
    client: redis.Redis, keys: Keys, *, to: int = SCHEMA, migrations: Mapping[int, Migration] = MIGRATIONS
) -> int:
    """Note the version of a new store, carry out what an older one needs; gives the version found.

    Data without a version are of version 1, which had none. Raises NewerStoreError and leaves everything as it is.
    """
    raw = client.get(keys.schema)
    found = int(raw) if raw is not None else 1
    if found > to:
        raise NewerStoreError(
            f"The store's data are of version {found}, and this program knows versions up to {to}: run a newer one."
        )
    for version in range(found, to):
        migrations[version](client, keys)
        client.set(keys.schema, version + 1)
    if raw is None:
        client.set(keys.schema, to)
    return found
