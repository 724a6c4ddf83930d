"""/v1/coverage: which calibrations there are, what hangs on them, and which to make next."""

from __future__ import annotations

import hashlib
import time

from flask import Response

from service.api.answers import answer, plain
from service.api.blueprint import ResourceBlueprint
from service.api.described import schema_of
from service.context import context, stores
from workers import tasks
from workers.learning.ageing import hour_of
from workers.model.codec import from_json, to_json
from workers.planning.coverage import Coverage

KEPT_S = 60.0  # how long an answer stands while neither the shop nor the numbers of jobs change
blueprint = ResourceBlueprint(
    "coverage",
    __name__,
    url_prefix="/v1/coverage",
    description="Coverage: every machine with its mounted nozzles and every material, how far it is calibrated, the "
    "hours that wait and were printed there, and the gauge pieces worth printing, by what they are expected to change.",
)


@blueprint.at("", summary="Calibrations against demand, and a ranked to-do list", operation="get-coverage")
@blueprint.gives(200, schema_of(Coverage))
def get_coverage() -> Response:
    return answer(to_json(plain(coverage())))


def coverage() -> Coverage:
    """Coverage of the shop now; worked out once for all who ask, API and pages."""
    shop = context().shop.newest()
    key = (shop.revision, _digest())
    kept = context().answers.get(key)
    if kept is None:
        found = tasks.coverage_now(stores(), shop)
        context().answers.put(key, to_json(found))
        return found
    return from_json(kept, Coverage)


def _digest() -> bytes:
    """What an answer rests on besides the shop: the hour, the numbers of jobs in each state, and the minute."""
    now = time.time()
    counts = sorted((state.value, count) for state, count in stores().jobs.counts().items())
    return hashlib.sha256(repr(("coverage", hour_of(now), now // KEPT_S, counts)).encode()).digest()
