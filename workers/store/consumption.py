"""What a print takes from the shop: filament off its spool, and life off its nozzle where the filament is abrasive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import redis
from redis.client import Pipeline

from workers.model.codec import from_json
from workers.model.errors import FieldProblem, InvalidError
from workers.model.fleet import Material, Nozzle, Spool
from workers.model.outcome import Outcome
from workers.model.shop import PLURALS, T
from workers.store.keys import Keys

DIGITS = 6  # of cm^3 and g: what is given back then leaves what was there before


@dataclass(frozen=True, slots=True)
class Consumption:
    """The outcome with what it has taken, and the things as they are to be kept."""

    outcome: Outcome
    nozzle: Nozzle | None = None
    spool: Spool | None = None

    @property
    def things(self) -> Sequence[Nozzle | Spool]:
        return tuple(thing for thing in (self.nozzle, self.spool) if thing is not None)


def take(client: redis.Redis, pipe: Pipeline, keys: Keys, outcome: Outcome, spool_id: str | None) -> Consumption:
    """What the print takes; what was read is watched by ``pipe``. Things that have left the shop give nothing.

    Raises InvalidError at /spool_id for a spool that is not there or of another material.
    """
    material = _read(client, keys, Material, outcome.material_id)
    found = Consumption(outcome)
    if material is not None and material.abrasive > 0:
        found = _wear(found, _watched(client, pipe, keys, Nozzle, outcome.nozzle_id))
    if spool_id is not None:
        found = _unwind(found, _watched(client, pipe, keys, Spool, spool_id), spool_id, material)
    return found


def give_back(client: redis.Redis, pipe: Pipeline, keys: Keys, outcome: Outcome) -> Consumption:
    """The reverse, for an outcome that is withdrawn."""
    nozzle, spool = None, None
    if outcome.abrasive_cm3 and (worn := _watched(client, pipe, keys, Nozzle, outcome.nozzle_id)) is not None:
        left = max(round(worn.abrasive_cm3 - outcome.abrasive_cm3, DIGITS), 0.0)
        nozzle = replace(worn, abrasive_cm3=left, version=worn.version + 1)
    if outcome.spool_id is not None and outcome.spool_g:
        used = _watched(client, pipe, keys, Spool, outcome.spool_id)
        if used is not None:
            left = round(used.remaining_g + outcome.spool_g, DIGITS)
            spool = replace(used, remaining_g=left, version=used.version + 1)
    return Consumption(outcome, nozzle, spool)


def _wear(found: Consumption, nozzle: Nozzle | None) -> Consumption:
    volume = round(found.outcome.extruded_cm3, DIGITS)
    if nozzle is None or volume <= 0.0:
        return found
    worn = replace(nozzle, abrasive_cm3=round(nozzle.abrasive_cm3 + volume, DIGITS), version=nozzle.version + 1)
    return replace(found, nozzle=worn, outcome=replace(found.outcome, abrasive_cm3=volume))


def _unwind(found: Consumption, spool: Spool | None, spool_id: str, material: Material | None) -> Consumption:
    outcome = found.outcome
    if spool is None or material is None:
        raise _bad_spool(f"no spool has the id {spool_id!r}")
    if spool.material_id != outcome.material_id:
        raise _bad_spool(f"spool {spool_id!r} holds {spool.material_id!r}, printed was {outcome.material_id!r}")
    taken = min(round(outcome.extruded_cm3 * material.density_g_cm3, DIGITS), spool.remaining_g)
    outcome = replace(outcome, spool_id=spool_id, spool_g=taken)
    if taken <= 0.0:
        return replace(found, outcome=outcome)
    left = replace(spool, remaining_g=round(spool.remaining_g - taken, DIGITS), version=spool.version + 1)
    return replace(found, spool=left, outcome=outcome)


def _bad_spool(detail: str) -> InvalidError:
    return InvalidError(detail, fields=(FieldProblem("/spool_id", detail),))


def _watched(client: redis.Redis, pipe: Pipeline, keys: Keys, kind: type[T], thing_id: str) -> T | None:
    pipe.watch(keys.kind(PLURALS[kind]))  # type: ignore[no-untyped-call]
    return _read(client, keys, kind, thing_id)


def _read(client: redis.Redis, keys: Keys, kind: type[T], thing_id: str) -> T | None:
    raw: Any = client.hget(keys.kind(PLURALS[kind]), thing_id)
    return None if raw is None else from_json(raw, kind)
