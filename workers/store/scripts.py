"""What the scripts of the dispatch lists and claims share: their common head, and KEYS."""

from __future__ import annotations

from importlib.resources import files

from workers.store.keys import Keys


def script_text(name: str) -> str:
    """A script with ``dispatch_common.lua`` ahead of it."""
    folder = files("workers.store")
    return "\n".join(folder.joinpath(one).read_text("utf-8") for one in ("dispatch_common.lua", name))


def script_keys(keys: Keys) -> list[str]:
    """KEYS, in the order that ``dispatch_common.lua`` explains."""
    return [keys.events, keys.dispatch_versions, keys.leases, keys.holders, keys.counters]
