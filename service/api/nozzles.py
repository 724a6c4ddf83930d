"""/v1/nozzles: on a machine or on the shelf."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from flask import Response

from service.api.blueprint import ETAG, IF_MATCH
from service.api.etags import expected_version
from service.api.fields import Choice, Identifier, Number, Text, Version, Whole
from service.api.schema import RecordSchema
from service.api.slots import require_free_slot, require_off
from service.api.things import Resource, ThingSchema, blueprint_of, changed, require_reference
from service.context import stores
from workers.model.fleet import Machine, Nozzle, TipMaterial
from workers.model.shop import Shop, Thing, find
from workers.planning.mounting import mount, require_fitting, unmount


class NozzleSchema(ThingSchema):
    makes = Nozzle
    held: ClassVar[frozenset[str]] = frozenset({"machine_id", "slot"})

    id = Identifier()
    name = Text(80)
    bore_mm = Number(0.1, 2, "mm", description="Nozzle diameter")
    tip = Choice(TipMaterial, description="What the tip is made of")
    fitting = Text(40, description="Must be that of the machine's hotend")
    nozzle_temp_max_c = Number(150, 600, "degrees C")
    land_mm = Number(0.1, 10, "mm", description="Length of the bore's cylindrical end")
    abrasive_cm3 = Number(0, 1_000_000, "cm3", description="Abrasive filament that has gone through it")
    machine_id = Identifier(description="Changed through /v1/nozzles/{id}/mounting; null: on the shelf")
    slot = Whole(1, 12, description="Slots count from 1; null: on the shelf")
    version = Version()


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    machine_id: str
    slot: int = 1


class PlaceSchema(RecordSchema):
    makes = Place
    machine_id = Identifier()
    slot = Whole(1, 12, description="Slots count from 1")


def require_place(shop: Shop, nozzle: Nozzle) -> None:
    """A nozzle that sits on a machine must fit it and have its slot alone."""
    machine = require_free_slot(shop, nozzle, shop.nozzles)
    if machine is not None:
        require_fitting(machine, nozzle)


NOZZLES = Resource(
    kind=Nozzle,
    schema=NozzleSchema,
    about="Nozzles with their bore and tip. Mounting and unmounting are changes of state with a history.",
    example={
        "id": "n-050-hard-1",
        "name": "0.5 hardened, first",
        "bore_mm": 0.5,
        "tip": "hardened-steel",
        "fitting": "m6-long",
    },
    may_stand=require_place,
    may_go=lambda shop, nozzle: require_off(nozzle, "mounted", "unmount"),
)
blueprint = blueprint_of(NOZZLES)


@blueprint.at(
    "/<thing_id>/mounting", "POST", summary="Mount a nozzle from the shelf on a machine", operation="mount-nozzle"
)
@blueprint.headers(IF_MATCH)
@blueprint.takes(PlaceSchema, example={"machine_id": "alder", "slot": 1})
@blueprint.gives(200, NozzleSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412, 428)
def post_mounting(place: Place, thing_id: str) -> Response:
    stores().fleet.get(Nozzle, thing_id)
    expected = expected_version()

    def plan(shop: Shop) -> list[Thing]:
        version = expected.require(find(shop, Nozzle, thing_id).version)
        require_reference(shop, Machine, place.machine_id, "machine_id")
        return mount(shop, thing_id, place.machine_id, place.slot, version)

    return changed("mounted", plan)


@blueprint.at(
    "/<thing_id>/mounting", "DELETE", summary="Put a mounted nozzle back on the shelf", operation="unmount-nozzle"
)
@blueprint.headers(IF_MATCH)
@blueprint.gives(200, NozzleSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412, 428)
def delete_mounting(thing_id: str) -> Response:
    stores().fleet.get(Nozzle, thing_id)
    expected = expected_version()

    def plan(shop: Shop) -> list[Thing]:
        return unmount(shop, thing_id, expected.require(find(shop, Nozzle, thing_id).version))

    return changed("unmounted", plan)
