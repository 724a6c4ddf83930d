"""One job: its routing with every part of the reason, its history, and what can be changed about it."""

from __future__ import annotations

import time
from typing import Any

from flask import Blueprint, request
from werkzeug.wrappers import Response

from service.access import caller
from service.api import remedies
from service.api.intake import ring
from service.api.part_jobs import with_part
from service.api.remedies import with_remedies
from service.context import context, stores
from service.pages.job_place import place_of
from service.pages.job_view import JobView, job_view
from service.pages.pictures import add_pictures
from service.pages.rendering import page, see, seen_version
from service.settings import OPEN_ACCESS
from workers.model.codec import from_json, to_json
from workers.model.record import HistoryEntry, JobRecord
from workers.model.routing import Routing
from workers.model.shop import Shop
from workers.routing.betterments import weaknesses
from workers.routing.explain import explain
from workers.store.outcomes import OutcomeFilter

OUTCOMES_SHOWN = 20


def add_to(blueprint: Blueprint) -> None:
    blueprint.add_url_rule("/jobs/<job_id>", "job", show)
    blueprint.add_url_rule("/jobs/<job_id>/cancel", "cancel", cancel, methods=["POST"])
    blueprint.add_url_rule("/jobs/<job_id>/retry", "retry", retry, methods=["POST"])
    add_pictures(blueprint, "/jobs/<job_id>", "job", show)


def show(job_id: str) -> str:
    return job_page(job_id)


def job_page(job_id: str, link: str = "") -> str:
    """``link``: one that was made just now, to be shown this once."""
    kept, shop_now = stores(), context().shop.newest()
    last_event = kept.events.last_id()  # before all else is read: what comes later is told by the stream
    record, routing = kept.jobs.get(job_id), kept.jobs.routing(job_id)
    view = result_of(record, routing, kept.events.history(f"job/{job_id}"))
    keyed = context().settings.access != OPEN_ACCESS
    return page(
        "job.html",
        "job",
        pictures="pages.job",
        view=view,
        place=place_of(record, shop_now, time.time()),
        helps=_helps(view.record, view.routing, shop_now),
        outcomes=kept.outcomes.page(OutcomeFilter(job_id=job_id), limit=OUTCOMES_SHOWN).items,
        last_event=last_event,
        link=link,
        links=kept.shares.of(job_id) if keyed else (),
        may_share=keyed and caller() is not None,
    )


def result_of(record: JobRecord, routing: Routing | None, history: tuple[HistoryEntry, ...]) -> JobView:
    """What the page shows of a job and its routing, in today's names."""
    shop_now = context().shop.newest()
    if routing is not None:
        routing = with_remedies(routing, record, shop_now)
    explanation = explain(routing, shop_now) if routing is not None else None
    return job_view(with_part(record, routing), shop_now, history, routing, explanation)


def cancel(job_id: str) -> Response:
    reason = request.form.get("reason", "").strip()[:200]
    stores().jobs.cancel(job_id, seen_version(), reason)
    return see("pages.job", job_id=job_id)


def retry(job_id: str) -> Response:
    stores().jobs.retry(job_id, seen_version())
    ring()
    return see("pages.job", job_id=job_id)


def _helps(record: JobRecord, routing: Routing | None, shop_now: Shop) -> list[str]:
    """What would better a weak routing, in words."""
    chosen = None if routing is None else routing.chosen
    if chosen is None or record.spec.summary is None or not weaknesses(chosen):
        return []
    body = remedies.kept("help", record, shop_now, lambda: to_json(remedies.remedies_body(shop_now, record.spec)))
    sentences: list[str] = from_json(body, dict[str, Any])["sentences"]
    return sentences
