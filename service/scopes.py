"""Which scope each route asks for: reading is ``read``, the rest stands in one table, by operation.

A route that changes something and is missing from the table asks for ``administer``: forgetting one locks it.
"""

from __future__ import annotations

from collections.abc import Mapping

from workers.model.access import Scope

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
# Neither needs a key: they say nothing of the shop, or are the way in.
OPEN = frozenset(
    {
        "operations.get-health",
        "operations.get-readiness",
        "api-docs.openapi_json",
        "pages.static",
        "pages.sign_in",
        "pages.sign_in_post",
        "pages.sign_out",
        "pages.shared",
        "pages.shared_picture",
    }
)
_READS = ("routing-queries.query-routing",)  # a question too long for an address
_HAND_IN = (
    "jobs.create-job",
    "job-batches.create-job-batch",
    "parts.create-part",
    "jobs.cancel-job",
    "pages.hand_in_post",
    "pages.hand_in_mesh",
    "pages.part_post",
    "pages.cancel",
    "pages.share_job",
    "pages.revoke_share",
)
_OPERATE = (
    "jobs.retry-job",
    "pages.retry",
    "pages.take_claim",
    "pages.renew_claim",
    "pages.give_claim_back",
    "pages.finish_claim",
    "pages.move_post",
    "pages.ask_plan",
    "pages.stop_plan",
    "pages.apply_plan",
    "pages.confirm_outcome",
    "pages.withdraw_outcome",
    "parts.delete-part",
    "claims.take-claim",
    "claims.finish-claim",
    "claims.give-claim-back",
    "claims.renew-claim",
    "dispatch-lists.move-listed-job",
    "machines.set-machine-state",
    "nozzles.mount-nozzle",
    "nozzles.unmount-nozzle",
    "spools.create-spool",
    "spools.replace-spool",
    "spools.delete-spool",
    "spools.load-spool",
    "spools.unload-spool",
    "calibrations.create-calibration",
    "calibrations.replace-calibration",
    "calibrations.delete-calibration",
    "gauge-readings.read-gauge-piece",
    "outcomes.create-outcome",
    "outcomes.confirm-outcome",
    "outcomes.withdraw-outcome",
    "line-up-studies.create-line-up-study",
    "line-up-studies.cancel-line-up-study",
    "pages.ask_line_up_study",
    "pages.cancel_line_up_study",
    "pages.define_trial",
    "pages.start_trial",
    "pages.report_run",
    "plans.create-plan",
    "plans.cancel-plan",
    "plans.apply-plan",
    "bore-trials.create-bore-trial",
    "bore-trials.start-bore-trial",
    "bore-trials.cancel-bore-trial",
    "bore-trials.close-bore-trial",
    "bore-trial-runs.create-bore-trial-result",
    "bore-trial-runs.delete-bore-trial-result",
    "bore-trial-photos.put-bore-trial-photo",
    "bore-trial-photos.delete-bore-trial-photo",
)
_ADMINISTER = (
    "machines.create-machine",
    "machines.replace-machine",
    "machines.delete-machine",
    "nozzles.create-nozzle",
    "nozzles.replace-nozzle",
    "nozzles.delete-nozzle",
    "materials.create-material",
    "materials.replace-material",
    "materials.delete-material",
    "shop.set-emphasis",
    "webhooks.create-webhook",
    "webhooks.list-webhooks",
    "webhooks.get-webhook",
    "webhooks.delete-webhook",
    "webhooks.list-dead-letters",
    "access-keys.create-access-key",
    "access-keys.list-access-keys",
    "access-keys.get-access-key",
    "access-keys.revoke-access-key",
    "audit.list-audit",
)
TABLE: Mapping[str, Scope] = {
    **dict.fromkeys(_READS, Scope.READ),
    **dict.fromkeys(_HAND_IN, Scope.HAND_IN),
    **dict.fromkeys(_OPERATE, Scope.OPERATE),
    **dict.fromkeys(_ADMINISTER, Scope.ADMINISTER),
}


def scope_of(endpoint: str, method: str) -> Scope | None:
    """What a caller must be allowed for this route; None: nothing."""
    if endpoint in OPEN:
        return None
    default = Scope.READ if method in SAFE else Scope.ADMINISTER
    return TABLE.get(endpoint, default)
