"""The whole OpenAPI description, by property: whatever is sent, only documented answers, and never a 5xx.

Schemathesis makes requests that the description allows and requests that it does not, and judges the answers.
Left out is the check that whatever the description allows is accepted: it knows no rules across fields (a bore wider
than its bead, a material that is not there), which answer 422 or 409.
BOREWRIGHT_CONTRACT_EXAMPLES says how many of each for each operation; 150 make over 20,000 in all.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import redis
import schemathesis
import yaml
from flask import Flask
from hypothesis import HealthCheck, given, seed, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import Case, GenerationMode
from schemathesis.specs.openapi.checks import positive_data_acceptance

from service.app import create_app
from service.settings import Settings
from tests.service.conftest import Caller
from workers.model.access import Scope
from workers.store import presence

EXAMPLES = int(os.environ.get("BOREWRIGHT_CONTRACT_EXAMPLES", "6"))
DESCRIPTION = yaml.safe_load((Path(__file__).parents[2] / "openapi" / "borewright.yaml").read_text())
METHODS = ("get", "put", "post", "delete", "patch")
OPERATIONS = [(m.upper(), path) for path, item in DESCRIPTION["paths"].items() for m in METHODS if m in item]


@pytest.fixture(scope="module")
def app(redis_url: str) -> Iterator[Flask]:
    """A small shop that can print and asks for keys, on a Redis with nothing else in it; a worker was heard of."""
    with redis.Redis.from_url(redis_url) as client:
        client.flushall()
    Caller(create_app(Settings(redis_url=redis_url))).stocked().stores.presence.beat("routing", "contract")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(presence, "HEARD_S", 3600.0)
        yield create_app(Settings(redis_url=redis_url, access="keys"))


@pytest.fixture(scope="module")
def key(app: Flask) -> dict[str, str]:
    _, text = Caller(app).stores.access.create("0" * 26, "contract", tuple(Scope))
    return {"Authorization": f"Bearer {text}"}


@pytest.fixture(scope="module")
def operations(app: Flask) -> dict[tuple[str, str], Any]:
    schema = schemathesis.openapi.from_wsgi("/openapi.json", app)
    found = (result.ok() for result in schema.get_all_operations())
    return {(one.method.upper(), one.path): one for one in found}


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE], ids=["allowed", "not allowed"])
@pytest.mark.parametrize(("method", "path"), OPERATIONS)
def test_only_documented_answers(
    operations: dict[tuple[str, str], Any], key: dict[str, str], method: str, path: str, mode: GenerationMode
) -> None:
    operation = operations[method, path]

    @seed(20)
    @settings(max_examples=EXAMPLES, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(case=operation.as_strategy(generation_mode=mode))
    def answers_as_described(case: Case) -> None:
        case.call_and_validate(headers=key, excluded_checks=[positive_data_acceptance])

    try:
        answers_as_described()
    except Unsatisfiable:
        assert mode is GenerationMode.NEGATIVE, "nothing that the description allows could be made"
        assert not {"requestBody", "parameters"} <= _described(method, path).keys()


@pytest.mark.parametrize(("method", "path"), OPERATIONS)
def test_without_a_key_the_answer_is_401_as_described(
    operations: dict[tuple[str, str], Any], method: str, path: str
) -> None:
    @seed(20)
    @settings(max_examples=1, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(case=operations[method, path].as_strategy())
    def is_refused(case: Case) -> None:
        answer = case.call_and_validate(excluded_checks=[positive_data_acceptance])
        assert (answer.status_code == 401) == path.startswith("/v1/") or path == "/metrics"

    is_refused()


def _described(method: str, path: str) -> dict[str, Any]:
    described: dict[str, Any] = DESCRIPTION["paths"][path][method.lower()]
    return described


def test_no_operation_is_left_out(operations: dict[tuple[str, str], Any]) -> None:
    assert set(operations) == set(OPERATIONS)
    assert len(OPERATIONS) > 60
