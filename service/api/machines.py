"""/v1/machines: the filament printers of the shop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from flask import Response

from service.api.blueprint import ETAG, IF_MATCH
from service.api.etags import expected_version
from service.api.fields import Choice, Flag, Identifier, Moment, Note, Number, Text, Version, Whole
from service.api.schema import Record, RecordSchema
from service.api.things import Resource, ThingSchema, blueprint_of, changed
from service.context import stores
from workers.model.fleet import Hotend, Machine, MachineState, Nozzle, Spool
from workers.model.shop import Shop, Thing, find
from workers.planning.mounting import require_fitting, require_slot, set_state


class HotendSchema(RecordSchema):
    """Ranges are engineering priors: wide enough for every filament printer, narrow enough to catch slips."""

    makes = Hotend
    fitting = Text(40, description="Nozzles with the same fitting can be mounted", example="m6-long")
    flow_ceiling_mm3_s = Number(0.5, 200, "mm3/s", description="Volume flow it melts of an easy-flowing material")
    nozzle_temp_max_c = Number(150, 600, "degrees C")
    push_force_n = Number(5, 500, "N", description="Force on the filament before the feeder slips")
    filament_mm = Number(1, 4, "mm", description="Filament diameter")


class MachineSchema(ThingSchema):
    makes = Machine
    held: ClassVar[frozenset[str]] = frozenset({"state", "state_reason"})

    id = Identifier()
    name = Text(80)
    build_x_mm = Number(20, 5000, "mm")
    build_y_mm = Number(20, 5000, "mm")
    build_z_mm = Number(20, 5000, "mm")
    hotend = Record(HotendSchema)
    bed_temp_max_c = Number(0, 300, "degrees C")
    chamber_temp_max_c = Number(0, 300, "degrees C", description="0: the chamber is not heated")
    enclosed = Flag()
    filtered = Flag(description="Full enclosure with filtered exhaust")
    speed_max_mm_s = Number(5, 2000, "mm/s")
    travel_speed_mm_s = Number(5, 3000, "mm/s")
    acceleration_mm_s2 = Number(50, 100_000, "mm/s2")
    nozzle_slots = Whole(1, 12)
    nozzle_change_s = Number(0, 86_400, "s", description="Time to change a nozzle")
    material_change_s = Number(0, 86_400, "s", description="Time to change the material")
    hourly_cost = Number(0, 10_000, description="In the shop's currency")
    state = Choice(MachineState, description="Changed through /v1/machines/{id}/state")
    state_reason = Note(500)
    hotend_changed_at = Moment(description="When its hotend was last replaced: older calibrations are stale")
    version = Version()


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChange:
    state: MachineState
    reason: str = ""


class StateChangeSchema(RecordSchema):
    makes = StateChange
    state = Choice(MachineState)
    reason = Note(500, example="Bed heater replaced on Friday")


def require_room_for_mounted(shop: Shop, machine: Machine) -> None:
    """A changed machine must still take what is on it. Raises ConflictError."""
    for nozzle in shop.nozzles:
        if nozzle.machine_id == machine.id:
            require_fitting(machine, nozzle)
    placed: list[Nozzle | Spool] = [*shop.nozzles, *shop.spools]
    for thing in placed:
        if thing.machine_id == machine.id and thing.slot is not None:
            require_slot(machine, thing.slot)


EXAMPLE = {
    "id": "alder",
    "name": "Alder, by the window",
    "build_x_mm": 250,
    "build_y_mm": 210,
    "build_z_mm": 220,
    "hotend": {"fitting": "m6-long", "flow_ceiling_mm3_s": 15, "nozzle_temp_max_c": 300},
    "bed_temp_max_c": 110,
    "enclosed": True,
    "nozzle_slots": 2,
    "hourly_cost": 2.4,
}

MACHINES = Resource(
    kind=Machine,
    schema=MachineSchema,
    about="The filament printers of the shop: what they can reach, melt and carry.",
    example=EXAMPLE,
    may_stand=require_room_for_mounted,
)
blueprint = blueprint_of(MACHINES)


@blueprint.at(
    "/<thing_id>/state", "PUT", summary="Take a machine out of service, or back in", operation="set-machine-state"
)
@blueprint.headers(IF_MATCH)
@blueprint.takes(StateChangeSchema, example={"state": "down", "reason": "Bed heater replaced on Friday"})
@blueprint.gives(200, MachineSchema, headers=ETAG)
@blueprint.refuses(404, 412, 428)
def put_state(change: StateChange, thing_id: str) -> Response:
    stores().fleet.get(Machine, thing_id)
    expected = expected_version()

    def plan(shop: Shop) -> list[Thing]:
        version = expected.require(find(shop, Machine, thing_id).version)
        return set_state(shop, thing_id, change.state, change.reason, version)

    return changed(change.state.value, plan)
