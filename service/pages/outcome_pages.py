"""One outcome: what was found beside what was expected, and what is known of its pairing now."""

from __future__ import annotations

from flask import Blueprint, request
from werkzeug.wrappers import Response

from service.context import context, stores
from service.pages.claim_pages import SCRAP_WORDS
from service.pages.names import names_of
from service.pages.rendering import page, see, seen_version
from workers.model.errors import NotFoundError
from workers.model.evidence import Evidence
from workers.model.outcome import Outcome
from workers.model.shop import Shop

STATE_WORDS = {
    "learnt": "learnt",
    "flagged": "out of line: not learnt until somebody confirms it",
    "confirmed": "out of line, confirmed and learnt",
    "withdrawn": "withdrawn: it counts for nothing",
}


def add_to(blueprint: Blueprint) -> None:
    blueprint.add_url_rule("/outcomes/<outcome_id>", "outcome", show)
    blueprint.add_url_rule("/outcomes/<outcome_id>/confirm", "confirm_outcome", confirm, methods=["POST"])
    blueprint.add_url_rule("/outcomes/<outcome_id>/withdraw", "withdraw_outcome", withdraw, methods=["POST"])


def show(outcome_id: str) -> str:
    outcome, shop = stores().outcomes.get(outcome_id), context().shop.newest()
    return page(
        "outcome.html",
        "shop",
        outcome=outcome,
        state=STATE_WORDS[outcome.state.value],
        scrap=SCRAP_WORDS.get(outcome.scrap_reason) if outcome.scrap_reason else "",
        names=names_of(shop),
        job=_job_name(outcome),
        evidence=evidence_of(shop, outcome),
    )


def confirm(outcome_id: str) -> Response:
    stores().outcomes.confirm(outcome_id, seen_version(), _reason())
    return see("pages.outcome", outcome_id=outcome_id)


def withdraw(outcome_id: str) -> Response:
    stores().outcomes.withdraw(outcome_id, seen_version(), _reason())
    return see("pages.outcome", outcome_id=outcome_id)


def evidence_of(shop: Shop, outcome: Outcome) -> tuple[Evidence, ...]:
    """What is kept of the outcome's pairing: as a whole first, then each kind of size."""
    pairing = (outcome.machine_id, outcome.nozzle_id, outcome.material_id)
    found = [e for e in shop.evidence if (e.key.machine_id, e.key.nozzle_id, e.key.material_id) == pairing]
    return tuple(sorted(found, key=lambda e: (e.key.kind is not None, str(e.key.kind), str(e.key.axis))))


def _reason() -> str:
    return request.form.get("reason", "").strip()[:500]


def _job_name(outcome: Outcome) -> str:
    try:
        return stores().jobs.get(outcome.job_id).spec.name if outcome.job_id else ""
    except NotFoundError:
        return ""
