"""What the five kinds of shop things have in common: create, list, get, replace, delete, history."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any, ClassVar, cast

from flask import Response

from service.api.answers import empty, plain, versioned
from service.api.blueprint import (
    ETAG,
    IDEMPOTENCY_KEY,
    IF_MATCH,
    IF_NONE_MATCH,
    LINK,
    LOCATION,
    ResourceBlueprint,
)
from service.api.etags import etag_of, expected_version
from service.api.fields import Refused, shown
from service.api.histories import HistorySchema, history_answer
from service.api.idempotency import turn
from service.api.paging import PageQuery, PageQuerySchema, after_of, limit_of, page_answer, page_schema
from service.api.schema import RecordSchema, summary_of
from service.context import stores
from workers.model import ids
from workers.model.codec import to_json
from workers.model.errors import FieldProblem, InvalidError
from workers.model.shop import PLURALS, Shop, Thing, find, require_unused
from workers.store.idempotency import Answer

Rule = Callable[[Shop, Any], None]


class ThingSchema(RecordSchema):
    """Loads to a dict of checked values. ``held``: fields that only their own sub-resource changes."""

    optional: ClassVar[frozenset[str]] = frozenset({"id"})
    held: ClassVar[frozenset[str]] = frozenset()

    def build(self, values: dict[str, Any]) -> dict[str, Any]:
        if problems := self.rules(self.makes(**{"id": "new", **values})):
            raise Refused(problems)
        return values


@dataclass(frozen=True, slots=True)
class Resource:
    """One kind of thing over HTTP.

    may_stand: raises where the thing breaks a rule against the rest of the shop (references, slots).
    may_go: raises where the thing cannot be deleted although nothing refers to it.
    """

    kind: type[Any]
    schema: type[ThingSchema]
    about: str
    example: Mapping[str, Any]
    may_stand: Rule = lambda shop, thing: None
    may_go: Rule = lambda shop, thing: None

    @property
    def name(self) -> str:
        return self.kind.__name__.lower()

    @property
    def plural(self) -> str:
        return PLURALS[self.kind]

    def path(self, thing_id: str) -> str:
        return f"/v1/{self.plural}/{thing_id}"


def blueprint_of(resource: Resource) -> ResourceBlueprint:
    """The blueprint with the views that every kind has; a resource's module adds its own."""
    blueprint = ResourceBlueprint(
        resource.plural, __name__, url_prefix=f"/v1/{resource.plural}", description=resource.about
    )
    _add_collection(blueprint, resource)
    _add_member(blueprint, resource)
    _add_history(blueprint, resource)
    return blueprint


def _add_collection(blueprint: ResourceBlueprint, resource: Resource) -> None:
    schema, name, plural = resource.schema, resource.name, resource.plural

    @blueprint.at("", summary=f"List the {plural} in the order of their ids", operation=f"list-{plural}")
    @blueprint.asks(PageQuerySchema)
    @blueprint.gives(200, page_schema(schema, name.title()), headers=LINK)
    def list_things(query: PageQuery) -> Response:
        page = stores().fleet.page(resource.kind, after_of(query), limit_of(query))
        return page_answer([plain(thing) for thing in page.items], page.next_cursor)

    @blueprint.at("", "POST", summary=f"Add a {name}", operation=f"create-{name}")
    @blueprint.headers(IDEMPOTENCY_KEY)
    @blueprint.takes(schema, example=dict(resource.example))
    @blueprint.gives(201, schema, headers=LOCATION | ETAG)
    @blueprint.refuses(409)
    def create_thing(values: dict[str, Any]) -> Response:
        return create(resource, values)


def _add_member(blueprint: ResourceBlueprint, resource: Resource) -> None:
    schema, name = resource.schema, resource.name

    @blueprint.at("/<thing_id>", summary=f"One {name}", operation=f"get-{name}")
    @blueprint.headers(IF_NONE_MATCH)
    @blueprint.gives(200, schema, headers=ETAG)
    @blueprint.gives(304, headers=ETAG)
    @blueprint.refuses(404)
    def get_thing(thing_id: str) -> Response:
        return versioned(plain(stores().fleet.get(resource.kind, thing_id)))

    @blueprint.at("/<thing_id>", "PUT", summary=f"Replace a {name}", operation=f"replace-{name}")
    @blueprint.headers(IF_MATCH)
    @blueprint.takes(schema, example=dict(resource.example))
    @blueprint.gives(200, schema, headers=ETAG)
    @blueprint.refuses(404, 409, 412, 428)
    def replace_thing(values: dict[str, Any], thing_id: str) -> Response:
        return replace(resource, thing_id, values)

    @blueprint.at("/<thing_id>", "DELETE", summary=f"Delete a {name}", operation=f"delete-{name}")
    @blueprint.headers(IF_MATCH)
    @blueprint.gives(204)
    @blueprint.refuses(404, 409, 412, 428)
    def delete_thing(thing_id: str) -> Response:
        return delete(resource, thing_id)


def _add_history(blueprint: ResourceBlueprint, resource: Resource) -> None:
    @blueprint.at(
        "/<thing_id>/history",
        summary=f"What happened to a {resource.name}, oldest first",
        operation=f"get-{resource.name}-history",
    )
    @blueprint.gives(200, HistorySchema)
    @blueprint.refuses(404)
    def get_history(thing_id: str) -> Response:
        return history_answer(f"{resource.name}/{thing_id}", lambda: stores().fleet.get(resource.kind, thing_id))


def create(resource: Resource, values: dict[str, Any]) -> Response:
    with turn(f"POST /v1/{resource.plural}") as mine:
        if mine.replay is not None:
            return mine.replay
        thing = resource.kind(**{**values, "id": values.get("id") or new_id(), "version": 1})
        body, location = plain(thing), resource.path(thing.id)
        finished = Answer(status=201, body=to_json(body).decode(), location=location, etag=etag_of(1))
        stores().fleet.create(thing, check=lambda shop: resource.may_stand(shop, thing), also=mine.also(finished))
        return versioned(body, 201, location=location)


def replace(resource: Resource, thing_id: str, values: dict[str, Any]) -> Response:
    """Check the version, the held fields and the rules against the shop that is written over."""
    stores().fleet.get(resource.kind, thing_id)  # 404 comes before 428 (RFC 9110 section 13.2.1)
    expected = expected_version()

    def plan(shop: Shop) -> list[Thing]:
        current = find(shop, resource.kind, thing_id)
        expected.require(current.version)
        thing = resource.kind(**merged(resource, current, values))
        resource.may_stand(shop, thing)
        return [thing]

    return changed("changed", plan)


def delete(resource: Resource, thing_id: str) -> Response:
    stores().fleet.get(resource.kind, thing_id)
    expected = expected_version()

    def plan(shop: Shop) -> list[Thing]:
        thing = find(shop, resource.kind, thing_id)
        expected.require(thing.version)
        require_unused(shop, thing)
        resource.may_go(shop, thing)
        return [thing]

    stores().fleet.change("deleted", plan)
    return empty()


def changed(verb: str, plan: Callable[[Shop], list[Thing]]) -> Response:
    """Carry a plan out and answer with the first thing it changed."""
    return versioned(plain(stores().fleet.change(verb, plan)[0]))


def merged(resource: Resource, current: Thing, values: Mapping[str, Any]) -> dict[str, Any]:
    """The new values over what only the service changes. Raises InvalidError where a held field differs."""
    held = {"id", "version"} | resource.schema.held
    kept = {one.name: getattr(current, one.name) for one in fields(resource.kind) if one.name in held}
    wrong = [
        FieldProblem(f"/{name}", f"{shown(values[name])} cannot be set here", f"left out, or {shown(kept[name])}")
        for name in sorted(held & values.keys())
        if values[name] != kept[name]
    ]
    if wrong:
        raise InvalidError(summary_of(Refused(wrong)), fields=tuple(wrong))
    return {**values, **kept, "version": current.version + 1}


def require_reference(shop: Shop, kind: type[Any], thing_id: str, field: str) -> Any:
    """The thing that a body's field names. Raises InvalidError at that field."""
    for thing in cast(tuple[Any, ...], getattr(shop, PLURALS[kind])):
        if thing.id == thing_id:
            return thing
    detail = f"no {kind.__name__.lower()} has the id {thing_id!r}"
    raise InvalidError(detail, fields=(FieldProblem(f"/{field}", detail),))


def new_id() -> str:
    return ids.encode(int(time.time() * 1000), secrets.randbits(80))
