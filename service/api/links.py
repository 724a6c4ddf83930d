"""OpenAPI links: which answer names what which other operation asks for. One table; the description is made from it.

A link's own words are in OpenAPI 3.1, "Link Object" and "Runtime Expressions".
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

ID = "$response.body#/id"
FIRST_ID = "$response.body#/items/0/id"
ETAG = "$response.header.ETag"


@dataclass(frozen=True, slots=True)
class From:
    """The answers of ``operation`` give ``parameters`` of the operations in ``to``; ``body``: of their body too."""

    operation: str
    parameters: Mapping[str, str]
    to: tuple[str, ...]
    body: Mapping[str, str] | None = None


def _things(one: str, many: str, *more: str) -> tuple[From, ...]:
    """The links of a kind of thing that is made, read, replaced and deleted under its id."""
    reads = (f"get-{one}", f"get-{one}-history")
    changes = (f"replace-{one}", f"delete-{one}", *more)
    return (
        From(f"create-{one}", {"thing_id": ID}, (*reads, *changes)),
        From(f"list-{many}", {"thing_id": FIRST_ID}, reads),
        From(f"get-{one}", {"thing_id": ID}, changes),
    )


JOB_READS = (
    "get-job",
    "get-job-routing",
    "get-job-history",
    "get-job-copies",
    "get-job-value-of-information",
    "get-job-remedies",
    "report-job",
)
TRIAL_READS = (
    "get-bore-trial",
    "get-bore-trial-next",
    "get-bore-trial-analysis",
    "get-bore-trial-table",
    "get-bore-trial-history",
)
TRIAL_CHANGES = ("start-bore-trial", "close-bore-trial", "cancel-bore-trial")
FIRST_RUN = {"trial_id": ID, "number": "$response.body#/runs/0/number"}
LINKS = (
    *_things("machine", "machines", "set-machine-state"),
    *_things("nozzle", "nozzles", "mount-nozzle", "unmount-nozzle"),
    *_things("material", "materials"),
    *_things("spool", "spools", "load-spool", "unload-spool"),
    *_things("calibration", "calibrations"),
    From("create-machine", {"machine_id": ID}, ("get-dispatch-list",)),
    From("list-machines", {"machine_id": FIRST_ID}, ("get-dispatch-list",)),
    From("list-machines", {}, ("take-claim",), body={"machine_id": FIRST_ID}),
    From("read-gauge-piece", {"calibration_id": "$response.body#/calibration/id"}, ("get-gauge-reading",)),
    From("create-part", {"part_id": ID}, ("get-part", "get-part-history", "get-part-picture", "get-part-display")),
    From("create-part", {"part_id": ID}, ("delete-part",)),
    From("create-part", {}, ("create-job",), body={"part_id": ID}),
    From("create-job", {"job_id": ID}, (*JOB_READS, "cancel-job", "retry-job")),
    From("create-job", {}, ("list-events",)),
    From("create-job-batch", {"job_id": FIRST_ID}, JOB_READS),
    From("list-jobs", {"job_id": FIRST_ID}, JOB_READS),
    From("get-job", {"job_id": ID}, ("cancel-job", "retry-job")),
    From("get-dispatch-list", {"machine_id": "$response.body#/machine_id"}, ("move-listed-job",)),
    From("take-claim", {"claim_id": ID}, ("get-claim", "renew-claim", "give-claim-back", "finish-claim")),
    From("list-claims", {"claim_id": FIRST_ID}, ("get-claim", "renew-claim", "finish-claim")),
    From("create-outcome", {"outcome_id": ID}, ("get-outcome", "get-outcome-history")),
    From("create-outcome", {"outcome_id": ID}, ("confirm-outcome", "withdraw-outcome")),
    From("list-outcomes", {"outcome_id": FIRST_ID}, ("get-outcome", "get-outcome-history")),
    From("create-plan", {"plan_id": ID}, ("get-plan", "get-plan-history", "cancel-plan", "apply-plan")),
    From("list-plans", {"plan_id": FIRST_ID}, ("get-plan", "get-plan-history")),
    From("get-plan", {"plan_id": ID}, ("cancel-plan", "apply-plan")),
    From("create-line-up-study", {"study_id": ID}, ("get-line-up-study", "get-line-up-study-history")),
    From("create-line-up-study", {"study_id": ID}, ("cancel-line-up-study",)),
    From("list-line-up-studies", {"study_id": FIRST_ID}, ("get-line-up-study", "get-line-up-study-history")),
    From("create-bore-trial", {"trial_id": ID}, (*TRIAL_READS, *TRIAL_CHANGES)),
    From("list-bore-trials", {"trial_id": FIRST_ID}, TRIAL_READS),
    From("get-bore-trial", {"trial_id": ID}, TRIAL_CHANGES),
    From("start-bore-trial", FIRST_RUN, ("get-bore-trial-run", "create-bore-trial-result", "put-bore-trial-photo")),
    From("create-webhook", {"webhook_id": ID}, ("get-webhook", "list-dead-letters", "delete-webhook")),
    From("list-webhooks", {"webhook_id": FIRST_ID}, ("get-webhook", "list-dead-letters")),
    From("create-access-key", {"key_id": ID}, ("get-access-key", "revoke-access-key")),
    From("list-models", {"model_id": FIRST_ID}, ("get-model",)),
)


def link_operations(paths: dict[str, Any]) -> None:
    """Write the table into a description's paths: at each answer with a body that the operation gives when it succeeds.

    Raises KeyError for an operation, ValueError for a parameter that is not there.
    """
    operations = {
        operation["operationId"]: (operation, path.get("parameters", []))
        for path in paths.values()
        for operation in path.values()
        if isinstance(operation, dict) and "operationId" in operation
    }
    for row in LINKS:
        for answer in _answers(operations[row.operation][0]):
            for target in row.to:
                answer.setdefault("links", {})[target] = _link(row, target, answer, *operations[target])


def _answers(operation: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for status, answer in operation["responses"].items():
        if status.startswith("2") and "application/json" in answer.get("content", {}):
            yield answer


def _link(row: From, target: str, answer: Mapping[str, Any], operation: Any, shared: Any) -> dict[str, Any]:
    taken = {(one["in"], one["name"]) for one in (*operation.get("parameters", []), *shared) if "in" in one}
    if missing := {("path", name) for name in row.parameters} - taken:
        raise ValueError(f"{target} does not take {sorted(missing)}")
    parameters = {f"path.{name}": expression for name, expression in row.parameters.items()}
    if ("header", "If-Match") in taken and "ETag" in answer.get("headers", {}):
        parameters["header.If-Match"] = ETAG
    link: dict[str, Any] = {"operationId": target, "parameters": parameters}
    return link | ({"requestBody": dict(row.body)} if row.body else {})
