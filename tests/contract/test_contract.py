"""The whole OpenAPI description, by property: whatever is sent, only documented answers, and never a 5xx.

Schemathesis makes requests that the description allows and requests that it does not, and judges the answers by all of
its checks. ACROSS names the operations for which one check says nothing: that whatever the description allows is
accepted. A 422 is let pass there, with the reason; any other refusal is not.
BOREWRIGHT_CONTRACT_EXAMPLES says how many of each for each operation, a fifth where bodies are large; 90 make some
17,000 in all, 110 over 20,000. BOREWRIGHT_CONTRACT_SEED makes others.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
import schemathesis
import yaml
from flask import Flask
from hypothesis import HealthCheck, given, seed, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import Case, GenerationMode
from schemathesis.specs.openapi.checks import positive_data_acceptance

from tests.contract.conftest import CONFIG, JUDGED, clear_long_tasks

EXAMPLES = int(os.environ.get("BOREWRIGHT_CONTRACT_EXAMPLES", "6"))
SEED = int(os.environ.get("BOREWRIGHT_CONTRACT_SEED", "20"))
DESCRIPTION = yaml.safe_load((Path(__file__).parents[2] / "openapi" / "borewright.yaml").read_text())
METHODS = ("get", "put", "post", "delete", "patch")
OPERATIONS = [(m.upper(), path) for path, item in DESCRIPTION["paths"].items() for m in METHODS if m in item]
# What a schema cannot say, and why allowed requests may therefore be refused (422).
CURSOR = "a cursor is taken only as it was given out"
MOMENT = "a moment lies in the years 2000 to 2100, counted in UTC"
FIELDS = "what one field allows depends on another, or on its neighbours in a list"
NAMES = "a body names things that have to be there"
AGAIN = "an Idempotency-Key is not taken again with another body"
ACROSS = {
    CURSOR: "list-machines list-nozzles list-materials list-spools list-calibrations list-parts list-jobs list-plans "
    "list-line-up-studies list-outcomes list-evidence list-audit list-bore-trials report-machines report-jobs "
    "report-outcomes",
    MOMENT: "replace-machine set-machine-state replace-spool get-model-checks mount-nozzle load-spool",
    FIELDS: "create-material replace-material create-calibration replace-calibration create-part create-webhook "
    "create-access-key finish-claim create-bore-trial-result create-bore-trial create-outcome read-gauge-piece "
    "set-emphasis replace-nozzle",
    NAMES: "create-nozzle create-spool create-job create-job-batch query-routing create-plan create-line-up-study "
    "move-listed-job",
    AGAIN: "create-machine take-claim",
}
EXCUSED = {operation for named in ACROSS.values() for operation in named.split()}
# Seconds to make one body of these: lists of jobs with curves and profiles.
LARGE = {
    "create-job",
    "create-job-batch",
    "create-part",
    "query-routing",
    "create-line-up-study",
    "create-bore-trial",
    "read-gauge-piece",
}
NEVER_ALLOWED = {400, 405, 406, 413, 415, 428}  # refusals that what the description allows cannot meet


def options(examples: int) -> Any:
    return settings(max_examples=examples, deadline=None, database=None, suppress_health_check=list(HealthCheck))


@pytest.fixture(scope="module")
def operations(app: Flask) -> dict[tuple[str, str], Any]:
    schema = schemathesis.openapi.from_wsgi("/openapi.json", app, config=CONFIG)
    found = (result.ok() for result in schema.get_all_operations())
    return {(one.method.upper(), one.path): one for one in found}


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE], ids=["allowed", "not allowed"])
@pytest.mark.parametrize(("method", "path"), OPERATIONS)
def test_only_documented_answers(
    app: Flask,
    operations: dict[tuple[str, str], Any],
    key: dict[str, str],
    method: str,
    path: str,
    mode: GenerationMode,
) -> None:
    operation, described = operations[method, path], _described(method, path)
    is_excused = mode is GenerationMode.POSITIVE and described["operationId"] in EXCUSED

    @seed(SEED)
    @options(max(EXAMPLES // 5, min(EXAMPLES, 4)) if described["operationId"] in LARGE else EXAMPLES)
    @given(case=operation.as_strategy(generation_mode=mode))
    def answers_as_described(case: Case) -> None:
        answer = case.call_and_validate(headers=key, excluded_checks=[positive_data_acceptance] if is_excused else [])
        assert not is_excused or answer.status_code not in NEVER_ALLOWED, answer.text
        clear_long_tasks(app)
        JUDGED["allowed" if mode is GenerationMode.POSITIVE else "not allowed"] += 1

    try:
        answers_as_described()
    except Unsatisfiable:
        assert mode is GenerationMode.NEGATIVE, "nothing that the description allows could be made"
        assert not {"requestBody", "parameters"} <= described.keys()


@pytest.mark.parametrize(("method", "path"), OPERATIONS)
def test_without_a_key_the_answer_is_401_as_described(
    operations: dict[tuple[str, str], Any], method: str, path: str
) -> None:
    @seed(SEED)
    @options(max(1, EXAMPLES // 10))
    @given(case=operations[method, path].as_strategy())
    def is_refused(case: Case) -> None:
        answer = case.call_and_validate(excluded_checks=[positive_data_acceptance])
        assert (answer.status_code == 401) == path.startswith("/v1/") or path == "/metrics"
        JUDGED["without a key"] += 1

    is_refused()


def _described(method: str, path: str) -> dict[str, Any]:
    described: dict[str, Any] = DESCRIPTION["paths"][path][method.lower()]
    return described


def test_no_operation_is_left_out(operations: dict[tuple[str, str], Any]) -> None:
    assert set(operations) == set(OPERATIONS)
    assert len(OPERATIONS) > 60
    assert {_described(*one)["operationId"] for one in OPERATIONS} > EXCUSED
