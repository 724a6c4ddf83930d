"""/v1/spools: filament in stock, on a machine or on the shelf."""

from __future__ import annotations

from typing import ClassVar

from flask import Response

from service.api.blueprint import ETAG, IF_MATCH
from service.api.etags import expected_version
from service.api.fields import Identifier, Moment, Number, Version, Whole
from service.api.nozzles import Place, PlaceSchema
from service.api.slots import require_free_slot, require_off
from service.api.things import Resource, ThingSchema, blueprint_of, changed, require_reference
from service.context import stores
from workers.model.fleet import Machine, Material, Spool
from workers.model.shop import Shop, Thing, find
from workers.planning.mounting import load, unload


class SpoolSchema(ThingSchema):
    makes = Spool
    held: ClassVar[frozenset[str]] = frozenset({"machine_id", "slot"})

    id = Identifier()
    material_id = Identifier()
    remaining_g = Number(0, 50_000, "g")
    machine_id = Identifier(description="Changed through /v1/spools/{id}/loading; null: on the shelf")
    slot = Whole(1, 12, description="Slots count from 1; null: on the shelf")
    dried_at = Moment(description="When it was last dried here; null: never")
    version = Version()


def require_material_and_place(shop: Shop, spool: Spool) -> None:
    require_reference(shop, Material, spool.material_id, "material_id")
    require_free_slot(shop, spool, shop.spools)


SPOOLS = Resource(
    kind=Spool,
    schema=SpoolSchema,
    about="Spools of filament. Loading and unloading are changes of state with a history.",
    example={"id": "s-0117", "material_id": "pa-cf", "remaining_g": 740, "dried_at": "2026-05-04T06:30:00Z"},
    may_stand=require_material_and_place,
    may_go=lambda shop, spool: require_off(spool, "loaded", "unload"),
)
blueprint = blueprint_of(SPOOLS)


@blueprint.at("/<thing_id>/loading", "POST", summary="Load a spool from the shelf at a machine", operation="load-spool")
@blueprint.headers(IF_MATCH)
@blueprint.takes(PlaceSchema, example={"machine_id": "alder", "slot": 1})
@blueprint.gives(200, SpoolSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412, 428)
def post_loading(place: Place, thing_id: str) -> Response:
    stores().fleet.get(Spool, thing_id)
    expected = expected_version()

    def plan(shop: Shop) -> list[Thing]:
        version = expected.require(find(shop, Spool, thing_id).version)
        require_reference(shop, Machine, place.machine_id, "machine_id")
        return load(shop, thing_id, place.machine_id, place.slot, version)

    return changed("loaded", plan)


@blueprint.at("/<thing_id>/loading", "DELETE", summary="Put a loaded spool back on the shelf", operation="unload-spool")
@blueprint.headers(IF_MATCH)
@blueprint.gives(200, SpoolSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412, 428)
def delete_loading(thing_id: str) -> Response:
    stores().fleet.get(Spool, thing_id)
    expected = expected_version()

    def plan(shop: Shop) -> list[Thing]:
        return unload(shop, thing_id, expected.require(find(shop, Spool, thing_id).version))

    return changed("unloaded", plan)
