"""Every route by every scope: which key opens what. A new route is missing here until someone decides."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import product

import pytest

from service.app import create_app
from service.settings import Settings
from tests.service.conftest import Caller
from workers.model.access import Scope

# What may be done with a key of each scope, as an operator would say it; reading is all other GETs.
NOT_FOR_READERS = """
    GET /v1/access-keys
    GET /v1/access-keys/<key_id>
    GET /v1/audit
    GET /v1/webhooks
    GET /v1/webhooks/<webhook_id>
    GET /v1/webhooks/<webhook_id>/dead-letters
"""
MATRIX = {
    Scope.READ: "POST /v1/routing-queries",
    Scope.HAND_IN: """
        POST /v1/jobs
        POST /v1/job-batches
        POST /v1/parts
        POST /v1/jobs/<job_id>/cancellation
        POST /hand-in
        POST /hand-in/mesh
        POST /hand-in/parts/<part_id>
        POST /jobs/<job_id>/cancel
        POST /jobs/<job_id>/links
        POST /jobs/<job_id>/links/<share_id>/revoke
    """,
    Scope.OPERATE: """
        POST /v1/jobs/<job_id>/retry
        POST /jobs/<job_id>/retry
        POST /machines/<machine_id>/take
        POST /machines/<machine_id>/move
        POST /plans
        POST /plans/<plan_id>/stop
        POST /plans/<plan_id>/apply
        POST /claims/<claim_id>/renew
        POST /claims/<claim_id>/give-back
        POST /claims/<claim_id>/finish
        POST /outcomes/<outcome_id>/confirm
        POST /outcomes/<outcome_id>/withdraw
        DELETE /v1/parts/<part_id>
        POST /v1/claims
        POST /v1/claims/<claim_id>/finish
        POST /v1/claims/<claim_id>/giving-back
        POST /v1/claims/<claim_id>/renewal
        POST /v1/machines/<machine_id>/dispatch-list/moves
        PUT /v1/machines/<thing_id>/state
        POST /v1/nozzles/<thing_id>/mounting
        DELETE /v1/nozzles/<thing_id>/mounting
        POST /v1/spools
        PUT /v1/spools/<thing_id>
        DELETE /v1/spools/<thing_id>
        POST /v1/spools/<thing_id>/loading
        DELETE /v1/spools/<thing_id>/loading
        POST /v1/calibrations
        PUT /v1/calibrations/<thing_id>
        DELETE /v1/calibrations/<thing_id>
        POST /v1/gauge-readings
        POST /v1/outcomes
        POST /v1/outcomes/<outcome_id>/confirmation
        POST /v1/outcomes/<outcome_id>/withdrawal
        POST /v1/line-up-studies
        POST /v1/line-up-studies/<study_id>/cancellation
        POST /line-up-studies
        POST /line-up-studies/<study_id>/cancel
        POST /bore-trials/new
        POST /bore-trials/<trial_id>/start
        POST /bore-trials/<trial_id>/runs/<int:number>
        POST /v1/plans
        POST /v1/plans/<plan_id>/cancellation
        POST /v1/plans/<plan_id>/apply
        POST /v1/bore-trials
        POST /v1/bore-trials/<trial_id>/start
        POST /v1/bore-trials/<trial_id>/cancellation
        POST /v1/bore-trials/<trial_id>/closing
        POST /v1/bore-trials/<trial_id>/runs/<int:number>/result
        DELETE /v1/bore-trials/<trial_id>/runs/<int:number>/result
        PUT /v1/bore-trials/<trial_id>/runs/<int:number>/photo
        DELETE /v1/bore-trials/<trial_id>/runs/<int:number>/photo
    """,
    Scope.ADMINISTER: """
        POST /v1/machines
        PUT /v1/machines/<thing_id>
        DELETE /v1/machines/<thing_id>
        POST /v1/nozzles
        PUT /v1/nozzles/<thing_id>
        DELETE /v1/nozzles/<thing_id>
        POST /v1/materials
        PUT /v1/materials/<thing_id>
        DELETE /v1/materials/<thing_id>
        PUT /v1/shop/emphasis
        POST /v1/webhooks
        DELETE /v1/webhooks/<webhook_id>
        POST /v1/access-keys
        DELETE /v1/access-keys/<key_id>
    """
    + NOT_FOR_READERS,
}
OPEN_ROUTES = {
    "GET /healthz",
    "GET /readyz",
    "GET /openapi.json",
    "GET /sign-in",
    "POST /sign-in",
    "POST /sign-out",
    "GET /shared/<job_id>/<share_id>",
    "GET /shared/<job_id>/<share_id>/pictures/<name>.svg",
    "GET /assets/<path:filename>",
}


def lines(text: str) -> set[str]:
    return {line.strip() for line in text.splitlines() if line.strip()}


def routes() -> list[tuple[str, str]]:
    """Every (method, rule) that the app answers."""
    rules = create_app(Settings()).url_map.iter_rules()
    pairs = {(method, rule.rule) for rule in rules for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}}
    return sorted(pairs)


ROUTES = routes()


def needed(method: str, rule: str) -> Scope | None:
    word = f"{method} {rule}"
    if word in OPEN_ROUTES:
        return None
    for scope, words in MATRIX.items():
        if word in lines(words):
            return scope
    return Scope.READ if method == "GET" else pytest.fail(f"{word} is missing from the matrix")


def test_the_matrix_names_no_route_that_is_not_there() -> None:
    named = set.union(OPEN_ROUTES, *(lines(words) for words in MATRIX.values()))
    assert named <= {f"{method} {rule}" for method, rule in ROUTES}


@pytest.fixture
def keyed(make_api: Callable[..., Caller]) -> dict[Scope, str]:
    caller = make_api(access="keys")
    made = {scope: caller.stores.access.create(f"{n}{'0' * 25}", scope, (scope,))[1] for n, scope in enumerate(Scope)}
    return {**made, "app": caller}  # type: ignore[dict-item]


def test_every_route_by_every_scope(keyed: dict[Scope, str]) -> None:
    """A key with one scope passes where that one is asked for, and nowhere else; without a key nothing does."""
    caller: Caller = keyed["app"]  # type: ignore[index, assignment]
    wrong = []
    for (method, rule), scope in product(ROUTES, (None, *Scope)):
        headers = {} if scope is None else {"Authorization": f"Bearer {keyed[scope]}"}
        path = "/assets/none" if "path:" in rule else _filled(rule)
        found = caller.client.open(path, method=method, headers=headers, json={} if method != "GET" else None)
        refused = found.status_code in {401, 403} or found.headers.get("Location", "").startswith("/sign-in?")
        asked = needed(method, rule)
        foreign_form = method == "POST" and not rule.startswith("/v1/")  # refused by its missing token in any case
        if not foreign_form and refused != (asked is not None and asked is not scope):
            wrong.append((method, rule, scope, found.status_code))
    assert not wrong


def test_forms_are_refused_by_scope_before_their_token(keyed: dict[Scope, str]) -> None:
    caller: Caller = keyed["app"]  # type: ignore[index, assignment]
    for rule in ("/hand-in", "/jobs/x/retry"):
        asked = needed("POST", "/jobs/<job_id>/retry" if "x" in rule else rule)
        for scope in Scope:
            found = caller.client.post(rule, headers={"Authorization": f"Bearer {keyed[scope]}"})
            assert ("scope" in found.text) == (scope is not asked)


def _filled(rule: str) -> str:
    """A path under the rule; where a number is wanted, one."""
    return re.sub(r"<\w+>", "x", re.sub(r"<int:\w+>", "1", rule))
