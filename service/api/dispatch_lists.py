"""/v1/machines/{id}/dispatch-list: what a machine prints next, when, and what another order would cost."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass
from typing import Any

import marshmallow as ma
from flask import Response

from service.api.answers import answer, plain
from service.api.blueprint import ETAG, IF_MATCH, ResourceBlueprint
from service.api.claims import ClaimSchema, claim_body
from service.api.described import schema_of
from service.api.etags import allowed_version, etag_of, expected_version
from service.api.fields import Flag, Identifier, Moment, Note, Text, Whole
from service.api.moments import format_moment
from service.api.schema import RecordSchema
from service.context import context, stores
from workers import tasks
from workers.model.codec import to_json
from workers.model.dispatch import Copy, DispatchList, ListCost, Listed, Timing
from workers.model.fleet import Machine, MachineState
from workers.model.shop import find
from workers.planning.dispatch import Bench, Sequencer, bench_of
from workers.planning.finish_times import timings
from workers.tasks import MoveWish, PlannedMove

blueprint = ResourceBlueprint(
    "dispatch-lists",
    __name__,
    url_prefix="/v1",
    description="Dispatch lists: the jobs bound to each machine, first to last, with the times expected. A job is put "
    "where weighted lateness and setups then cost least; people may move it, and see the cost before.",
)
ListCostSchema = schema_of(ListCost)
CopySchema = schema_of(Copy)


class MomentRangeSchema(ma.Schema):
    """A moment with its 90 % interval."""

    class Meta:
        unknown = ma.RAISE

    expected_at = Moment(required=True)
    earliest_at = Moment(required=True)
    latest_at = Moment(required=True)


class ListEntrySchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    position = ma.fields.Integer(required=True, metadata={"minimum": 1})
    job_id = ma.fields.String(required=True)
    name = ma.fields.String(required=True)
    nozzle_id = ma.fields.String(required=True)
    material_id = ma.fields.String(required=True)
    priority = ma.fields.Integer(required=True)
    due_at = Moment(required=True, allow_none=True)
    pinned = ma.fields.Boolean(required=True)
    quantity = ma.fields.Integer(required=True)
    waiting = ma.fields.Integer(required=True, metadata={"description": "Copies that wait"})
    printing = ma.fields.Integer(required=True, metadata={"description": "Copies being printed"})
    accepted = ma.fields.Integer(required=True)
    scrapped = ma.fields.Integer(required=True)
    setup_h = ma.fields.Float(required=True)
    drying_h = ma.fields.Float(
        required=True, metadata={"description": "Hours that the machine waits for its filament to dry"}
    )
    copy_h = ma.fields.Float(
        required=True, metadata={"description": "Machine hours a good copy, failed ones counted in"}
    )
    start = ma.fields.Nested(MomentRangeSchema, required=True)
    finish = ma.fields.Nested(MomentRangeSchema, required=True)
    lateness_risk = ma.fields.Float(
        required=True, allow_none=True, metadata={"description": "Chance of missing the due date; null without one"}
    )


class DispatchListSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    machine_id = ma.fields.String(required=True)
    version = ma.fields.Integer(required=True)
    machine_state = ma.fields.Enum(MachineState, by_value=True, required=True)
    as_of_at = Moment(required=True)
    printing = ma.fields.Nested(ClaimSchema, required=True, allow_none=True)
    cost = ma.fields.Nested(ListCostSchema, required=True)
    entries = ma.fields.List(ma.fields.Nested(ListEntrySchema), required=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveBody:
    job_id: str
    position: int | None = None
    machine_id: str | None = None
    pinned: bool | None = None
    preview: bool = False
    reason: str = ""


class MoveBodySchema(RecordSchema):
    makes = MoveBody
    job_id = Text(40)
    position = Whole(1, 1_000_000, description="From 1; null: where the rule puts it")
    machine_id = Identifier(description="Another machine's list; null: this one")
    pinned = Flag(description="true: nothing is put ahead of it by itself, and nothing moves it; null: as it is")
    preview = Flag(description="true: only say what it would cost")
    reason = Note(500)


class MoveAnswerSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    moved = ma.fields.Boolean(required=True)
    machine_id = ma.fields.String(required=True)
    position = ma.fields.Integer(required=True)
    before = ma.fields.Dict(
        keys=ma.fields.String(),
        values=ma.fields.Nested(ListCostSchema),
        required=True,
        metadata={"description": "Cost of each list that is touched, by machine id"},
    )
    after = ma.fields.Dict(keys=ma.fields.String(), values=ma.fields.Nested(ListCostSchema), required=True)


class CopiesSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    job_id = ma.fields.String(required=True)
    machine_id = ma.fields.String(required=True, allow_none=True)
    quantity = ma.fields.Integer(required=True)
    waiting = ma.fields.Integer(required=True)
    copies = ma.fields.List(
        ma.fields.Nested(CopySchema),
        required=True,
        metadata={"description": "Copies being printed or ended; those not named wait"},
    )


@blueprint.at(
    "/machines/<machine_id>/dispatch-list", summary="What a machine prints next", operation="get-dispatch-list"
)
@blueprint.gives(200, DispatchListSchema, headers=ETAG)
@blueprint.refuses(404)
def get_dispatch_list(machine_id: str) -> Response:
    machine, seen, bench = _open(machine_id)
    times = timings(bench, seen.listed)
    body = {
        "machine_id": machine_id,
        "version": seen.version,
        "machine_state": machine.state.value,
        "as_of_at": format_moment(bench.now),
        "printing": None if seen.claim is None else claim_body(seen.claim),
        "cost": asdict(Sequencer(bench, seen.listed).cost()),
        "entries": [
            _entry(i, one, timing, bench.now) for i, (one, timing) in enumerate(zip(seen.listed, times, strict=True), 1)
        ],
    }
    return answer(to_json(body), etag=etag_of(seen.version))


@blueprint.at(
    "/machines/<machine_id>/dispatch-list/moves",
    "POST",
    summary="Move or pin a job of the list, or see what that would cost",
    operation="move-listed-job",
)
@blueprint.headers({**IF_MATCH, "required": False, "description": "The list's version; needed unless preview is true."})
@blueprint.takes(MoveBodySchema, example={"job_id": "01k0t3v7x9z1b3d5f7h9k1m3p5", "position": 1, "preview": True})
@blueprint.gives(200, MoveAnswerSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412, 428)
def post_move(body: MoveBody, machine_id: str) -> Response:
    stores().fleet.get(Machine, machine_id)
    expected = allowed_version() if body.preview else expected_version()
    wish = MoveWish(
        job_id=body.job_id,
        position=body.position,
        machine_id=body.machine_id,
        pinned=body.pinned,
        reason=body.reason,
    )
    planned = tasks.plan_move(stores(), context().shop.newest(), machine_id, wish, time.time())
    if expected is not None:
        expected.require(planned.move.from_version or 0)
    if body.preview:
        return _move_answer(planned, planned.move.from_version or 0, moved=False)
    stores().dispatch.move(planned.move)
    return _move_answer(planned, stores().dispatch.version(machine_id), moved=True)


@blueprint.at("/jobs/<job_id>/copies", summary="Where each copy of a job stands", operation="get-job-copies")
@blueprint.gives(200, CopiesSchema)
@blueprint.refuses(404)
def get_copies(job_id: str) -> Response:
    quantity = stores().jobs.get(job_id).spec.quantity
    copies = stores().dispatch.copies(job_id)
    body = {
        "job_id": job_id,
        "machine_id": stores().dispatch.machine_of(job_id),
        "quantity": quantity,
        "waiting": quantity - len(copies),
        "copies": [plain(copy) for copy in copies],
    }
    return answer(to_json(body))


def _open(machine_id: str) -> tuple[Machine, DispatchList, Bench]:
    """Raises NotFoundError."""
    shop = context().shop.newest()
    machine = find(shop, Machine, machine_id)
    stores().claims.lapse()
    seen = stores().dispatch.get(machine_id)
    return machine, seen, bench_of(shop, machine, seen.listed, seen.claim, time.time())


def _entry(position: int, one: Listed, timing: Timing, now: float) -> dict[str, Any]:
    entry = one.entry
    start = (timing.start_h, timing.start_low_h, timing.start_high_h)
    finish = (timing.finish_h, timing.finish_low_h, timing.finish_high_h)
    return {
        "position": position,
        "job_id": entry.job_id,
        "name": entry.name,
        "nozzle_id": entry.nozzle_id,
        "material_id": entry.material_id,
        "priority": entry.priority,
        "due_at": None if entry.due_at is None else format_moment(entry.due_at),
        "pinned": entry.pinned,
        "quantity": entry.quantity,
        "waiting": one.waiting,
        "printing": one.held,
        "accepted": one.accepted,
        "scrapped": one.scrapped,
        "setup_h": timing.setup_h,
        "drying_h": timing.drying_h,
        "copy_h": entry.copy_h,
        "start": _expected(now, *start),
        "finish": _expected(now, *finish),
        "lateness_risk": timing.lateness_risk,
    }


def _expected(now: float, mean_h: float, low_h: float, high_h: float) -> dict[str, str]:
    moments = {"expected_at": mean_h, "earliest_at": low_h, "latest_at": high_h}
    return {name: format_moment(round(now + hours * 3600.0)) for name, hours in moments.items()}


def _move_answer(planned: PlannedMove, version: int, *, moved: bool) -> Response:
    body = {
        "moved": moved,
        "machine_id": planned.move.to_machine,
        "position": planned.position,
        "before": {name: asdict(cost) for name, cost in planned.before.items()},
        "after": {name: asdict(cost) for name, cost in planned.after.items()},
    }
    return answer(to_json(body), etag=etag_of(version))
