"""The description's links, followed: each step takes what earlier answers gave, and all checks judge each answer."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable
from itertools import count
from typing import Any

import schemathesis
from flask import Flask
from hypothesis import HealthCheck, Phase, settings
from schemathesis.config import SchemathesisConfig

from service.openapi import openapi_dict
from tests.contract.conftest import JUDGED, clear_long_tasks
from workers import tasks
from workers.store.stores import Stores

EXAMPLES = int(os.environ.get("BOREWRIGHT_CONTRACT_EXAMPLES", "6"))
STEPS = 8
# tests/contract/test_contract.py judges what is accepted, with the rules that no schema can state.
CHECKS = SchemathesisConfig.from_dict({"checks": {"positive_data_acceptance": {"enabled": False}}})


def test_links_followed_in_any_order_give_only_documented_answers(app: Flask, key: dict[str, str]) -> None:
    """Between the steps the inbox is drained, so that routings, claims and trials have something to work on."""
    schema = schemathesis.openapi.from_wsgi("/openapi.json", app, config=CHECKS)
    stores = app.extensions["borewright"].stores
    followed: Counter[str] = Counter()
    begin_again = beginnings(stores)

    class Shop(schema.as_state_machine()):  # type: ignore[misc]
        def setup(self) -> None:
            begin_again()

        def get_call_kwargs(self, case: Any) -> dict[str, Any]:
            return {"headers": key}

        def after_call(self, response: Any, case: Any) -> None:
            followed[f"{case.operation.definition.raw['operationId']} {response.status_code // 100}xx"] += 1
            JUDGED["along links"] += 1
            tasks.drain_and_bind(stores, "contract")
            clear_long_tasks(app)

    options = settings(
        max_examples=2 * EXAMPLES,
        stateful_step_count=STEPS,
        deadline=None,
        derandomize=True,
        database=None,
        phases=(Phase.explicit, Phase.generate),
        suppress_health_check=list(HealthCheck),
    )
    Shop.run(settings=options)
    assert followed.total() > 4 * EXAMPLES, followed


def beginnings(stores: Stores) -> Callable[[], None]:
    """Gives what puts the store back to what it is now: scenarios drawn alike must go alike."""
    kept = {name: stores.client.dump(name) for name in stores.client.scan_iter()}
    revisions = count(1_000_000, 1_000_000)  # never one again: equal revisions mean an equal shop

    def begin_again() -> None:
        stores.client.flushall()
        for name, content in kept.items():
            stores.client.restore(name, 0, content)
        stores.client.set(stores.keys.revision, next(revisions))

    return begin_again


def test_every_link_leads_somewhere_and_most_operations_are_reached() -> None:
    paths = openapi_dict()["paths"]
    operations = [one for path in paths.values() for one in path.values() if isinstance(one, dict)]
    ids = {one["operationId"] for one in operations}
    targets = {
        link["operationId"]
        for one in operations
        for answer in one["responses"].values()
        for link in answer.get("links", {}).values()
    }
    assert targets <= ids
    named = {
        one["operationId"] for path in paths if "{" in path for one in paths[path].values() if "operationId" in one
    }
    assert len(named & targets) >= 0.9 * len(named), named - targets
