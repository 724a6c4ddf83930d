"""The clock by which leases, locks and what waits are measured: the store's; and what if it is put back."""

from __future__ import annotations

from importlib.resources import files

import redis

from workers.store.inbox import GROUP
from workers.store.keys import Keys

BACK_MS = 2_000  # a clock that is corrected gently moves less at once
NOTED_EVERY_MS = 5_000


class StoreClock:
    def __init__(self, client: redis.Redis, keys: Keys) -> None:
        self._keys = keys
        self._script = client.register_script(files("workers.store").joinpath("clock.lua").read_text("utf-8"))

    def look(self) -> float:
        """To be called every second or so. Gives the seconds that the clock was put back since, mostly 0."""
        keys = self._keys
        watched = [keys.clock_seen, keys.parts_waiting, keys.long_tasks_open, keys.leases, keys.inbox]
        return int(self._script(keys=watched, args=[BACK_MS, NOTED_EVERY_MS, GROUP, keys.prefix])) / 1000.0
