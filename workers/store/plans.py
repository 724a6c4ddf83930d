"""Putting a plan into force, in one script. What a plan is before that: a long task (``long_tasks.py``)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import redis

from workers.model.codec import to_json
from workers.model.dispatch import Listed
from workers.model.plan import ListVersion
from workers.model.routing import Routing
from workers.store.events import EVENTS_KEPT
from workers.store.keys import Keys
from workers.store.scripts import script_keys, script_text


@dataclass(frozen=True, slots=True, kw_only=True)
class Placing:
    """A job at its new place. data: of the event; None where only its place in the same list changes.

    routing: what replaces the job's own; None: it stays.
    """

    listed: Listed
    from_machine: str
    to_machine: str
    data: Mapping[str, Any] | None = None
    routing: Routing | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Application:
    """A plan as it is put into force: what it was made from, and every job whose place changes."""

    subject: str
    shop_revision: int
    list_versions: Sequence[ListVersion]
    placings: Sequence[Placing]


class PlanRepository:
    def __init__(self, client: redis.Redis, keys: Keys) -> None:
        self._keys = keys
        self._script = client.register_script(script_text("plan_apply.lua"))

    def apply(self, application: Application) -> tuple[str, str]:
        """All of it or nothing. Gives the script's word (see there), and the machine or job that stood against it."""
        versions = [value for one in application.list_versions for value in (one.machine_id, one.version)]
        placings = [one for placing in application.placings for one in _args(placing)]
        reply: Any = self._script(
            keys=script_keys(self._keys),
            args=[
                self._keys.prefix,
                EVENTS_KEPT,
                "apply",
                application.subject,
                application.shop_revision,
                len(application.list_versions),
                *versions,
                *placings,
            ],
        )
        word, *more = [raw.decode() for raw in reply]
        return word, more[0] if more else ""


def _args(placing: Placing) -> list[Any]:
    entry = placing.listed.entry
    return [
        entry.job_id,
        entry.attempt,
        placing.from_machine,
        placing.to_machine,
        repr(placing.listed.place),
        to_json(entry),
        entry.nozzle_id,
        b"" if placing.routing is None else to_json(placing.routing),
        b"" if placing.data is None else to_json(placing.data),
    ]
