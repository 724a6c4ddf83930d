"""The shop at one moment: everything a routing depends on besides the job."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from workers.model.errors import ConflictError, NotFoundError, VersionMismatchError
from workers.model.evidence import Evidence
from workers.model.fleet import Calibration, Machine, Material, Nozzle, Spool
from workers.model.job import Emphasis

Thing = Machine | Nozzle | Material | Spool | Calibration
T = TypeVar("T", Machine, Nozzle, Material, Spool, Calibration)

PLURALS: Mapping[type, str] = {
    Machine: "machines",
    Nozzle: "nozzles",
    Material: "materials",
    Spool: "spools",
    Calibration: "calibrations",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """revision rises with every change, so equal revisions mean an equal shop."""

    revision: int
    machines: tuple[Machine, ...] = ()
    nozzles: tuple[Nozzle, ...] = ()
    materials: tuple[Material, ...] = ()
    spools: tuple[Spool, ...] = ()
    calibrations: tuple[Calibration, ...] = ()
    emphasis: Emphasis = Emphasis()
    evidence: tuple[Evidence, ...] = ()


def subject_of(thing: Thing) -> str:
    """``machine/ID``: how events and histories name a thing."""
    return f"{type(thing).__name__.lower()}/{thing.id}"


def things_of(shop: Shop, kind: type[T]) -> tuple[T, ...]:
    return getattr(shop, PLURALS[kind])  # type: ignore[no-any-return]


def find(shop: Shop, kind: type[T], thing_id: str) -> T:
    """Raises NotFoundError."""
    for thing in things_of(shop, kind):
        if thing.id == thing_id:
            return thing
    raise NotFoundError(f"no {kind.__name__.lower()} has the id {thing_id!r}")


def require_version(thing: Thing, expected: int) -> None:
    """Raises VersionMismatchError."""
    if thing.version != expected:
        raise VersionMismatchError(f"the version is {thing.version} now, If-Match named {expected}")


def require_unused(shop: Shop, thing: Thing) -> None:
    """Raises ConflictError, naming what still refers to ``thing``."""
    field = f"{type(thing).__name__.lower()}_id"
    users: list[Thing] = [*shop.nozzles, *shop.spools, *shop.calibrations]
    used_by = [subject_of(user) for user in users if getattr(user, field, None) == thing.id]
    if used_by:
        raise ConflictError(f"still in use by {', '.join(used_by[:5])}: take it out there first")
