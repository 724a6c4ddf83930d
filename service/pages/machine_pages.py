"""A machine's page: its whole list, taking the next copy, and moving a job with the cost shown before it is done."""

from __future__ import annotations

import hashlib
import secrets
import time

from flask import Blueprint, g, request
from werkzeug.wrappers import Response

from service.api.claims import LEASE_HIGH_S, LEASE_LOW_S, TakingSchema
from service.context import context, stores
from service.pages.bench_view import BenchView, bench_view
from service.pages.move_view import Asked, MoveView, move_view
from service.pages.names import names_of
from service.pages.rendering import page, see, seen_version
from workers import tasks
from workers.model.errors import BorewrightError, ConflictError, VersionMismatchError
from workers.model.fleet import Machine
from workers.model.shop import find
from workers.store.claims import Nothing, Taking
from workers.store.heads import heads
from workers.store.outcomes import OutcomeFilter
from workers.tasks import MoveWish, PlannedMove

LISTED = 200  # jobs of the list that the page names
OUTCOMES = 5
ROOM = 1.25  # engineering prior: a copy is looked at again within this many times the hours expected


def add_to(blueprint: Blueprint) -> None:
    blueprint.add_url_rule("/machines/<machine_id>", "machine", show)
    blueprint.add_url_rule("/machines/<machine_id>/take", "take_claim", take, methods=["POST"])
    blueprint.add_url_rule("/machines/<machine_id>/move", "move", show_move)
    blueprint.add_url_rule("/machines/<machine_id>/move", "move_post", move, methods=["POST"])


def show(machine_id: str) -> str:
    last_event = stores().events.last_id()
    shop, now = context().shop.newest(), time.time()
    bench = _bench(machine_id, now)
    outcomes = stores().outcomes.page(OutcomeFilter(machine_id=machine_id), limit=OUTCOMES).items
    return page(
        "machine.html",
        "shop",
        bench=bench,
        names=names_of(shop),
        outcomes=outcomes,
        last_event=last_event,
        once=secrets.token_urlsafe(18),
        hours=_lease_h(bench),
        claimant=g.key.name if g.get("key") else "",
    )


def take(machine_id: str) -> Response:
    """The same form sent twice is one claim. Raises InvalidError, ConflictError where nothing can be taken."""
    once = hashlib.sha256(request.form.get("once", "").encode()).hexdigest()
    hours = _number(request.form.get("hours", ""))
    lease_s = hours * 3600.0 if isinstance(hours, float) else hours
    wanted = TakingSchema().load(
        {"machine_id": machine_id, "claimant": request.form.get("claimant", "").strip(), "lease_s": lease_s}
    )
    claim = stores().claims.take(
        Taking(machine_id=machine_id, claimant=wanted.claimant, lease_s=wanted.lease_s, claim_id=f"f{once[:31]}")
    )
    if isinstance(claim, Nothing):
        raise ConflictError(claim.reason)
    return see("pages.claim", claim_id=claim.id)


def show_move(machine_id: str) -> str:
    """What may be chosen, and, once something is chosen, what it would cost."""
    asked = Asked(machine_id=machine_id, job_id=request.args.get("job_id", "")[:40], to=request.args.get("to") or None)
    asked = asked.at(request.args.get("position", ""))
    planned, problem = None, ""
    if asked.is_made:
        try:
            planned = _planned(asked)
        except BorewrightError as error:
            problem = error.detail
    return page("move.html", "shop", move=_view(asked, planned, problem))


def move(machine_id: str) -> Response:
    """Raises VersionMismatchError where the list is not the one whose cost was shown."""
    form = request.form
    asked = Asked(machine_id=machine_id, job_id=form.get("job_id", "")[:40], to=form.get("to") or None)
    asked = asked.at(form.get("position", ""))
    planned = _planned(asked, pinned=form.get("pinned") == "yes", reason=form.get("reason", "").strip()[:500])
    seen = seen_version()
    if seen is not None and planned.move.from_version != seen:
        raise VersionMismatchError("the list was changed after its cost was shown: look at it again")
    stores().dispatch.move(planned.move)
    return see("pages.machine", machine_id=planned.move.to_machine, _anchor="list")


def _planned(asked: Asked, *, pinned: bool | None = None, reason: str = "") -> PlannedMove:
    wish = MoveWish(job_id=asked.job_id, position=asked.position, machine_id=asked.to, pinned=pinned, reason=reason)
    return tasks.plan_move(stores(), context().shop.newest(), asked.machine_id, wish, time.time())


def _view(asked: Asked, planned: PlannedMove | None, problem: str) -> MoveView:
    shop = context().shop.newest()
    find(shop, Machine, asked.machine_id)
    every = heads(stores().client, stores().keys, [m.id for m in shop.machines], LISTED)
    return move_view(asked, shop, every, stores().jobs.routing(asked.job_id), planned, problem)


def _bench(machine_id: str, now: float) -> BenchView:
    """Raises NotFoundError."""
    shop = context().shop.newest()
    machine = find(shop, Machine, machine_id)
    stores().claims.lapse()
    head = heads(stores().client, stores().keys, [machine_id], LISTED)[machine_id]
    return bench_view(shop, machine, head, names_of(shop), now, LISTED)


def _lease_h(bench: BenchView) -> float:
    first = bench.waiting[0].listed.entry.copy_h if bench.waiting else 1.0
    hours = max(ROOM * first, 0.5)
    return round(min(max(hours, LEASE_LOW_S / 3600.0), LEASE_HIGH_S / 3600.0), 1)


def _number(text: str) -> float | str:
    """A figure as it was typed, with a decimal comma or point; what is none stays text, for the schema to refuse."""
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        return text.strip()[:40]
