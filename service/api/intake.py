"""Accepting jobs: the checks against the shop, and the bell for the workers."""

from __future__ import annotations

import logging
import time
from collections.abc import Collection, Sequence

import redis

from service.context import stores
from service.log import event
from workers import tasks
from workers.model.errors import FieldProblem, InvalidError
from workers.model.job import JobSpec
from workers.model.shop import Shop
from workers.store.jobs import new_ids

log = logging.getLogger(__name__)


def job_ids(count: int) -> list[str]:
    """Ids that sort in the order of the jobs."""
    return new_ids(count, time.time())


def material_ids(shop: Shop) -> frozenset[str]:
    return frozenset(material.id for material in shop.materials)


def require_known_materials(spec: JobSpec, known: Collection[str]) -> None:
    """Raises InvalidError at each material that the shop does not have."""
    problems = tuple(
        FieldProblem(f"/material/material_ids/{index}", f"the shop has no material {material_id!r}")
        for index, material_id in enumerate(spec.material.material_ids)
        if material_id not in known
    )
    if problems:
        raise InvalidError(problems[0].detail, fields=problems)


def ring() -> None:
    """Ask for a worker. The jobs are kept already: when the bell fails, the reconciler rings it later."""
    try:
        tasks.ring(stores())
    except redis.RedisError as error:
        log.warning(event("bell not rung", error=type(error).__name__))


def ring_geometry() -> None:
    """Ask for a worker to analyse a part, as :func:`ring`."""
    try:
        tasks.ring_geometry(stores())
    except redis.RedisError as error:
        log.warning(event("bell not rung", error=type(error).__name__))


def ring_planning() -> None:
    """Ask for a worker to take up a long task, as :func:`ring`."""
    try:
        tasks.ring_planning(stores())
    except redis.RedisError as error:
        log.warning(event("bell not rung", error=type(error).__name__))


def under(problems: Sequence[FieldProblem], prefix: str) -> tuple[FieldProblem, ...]:
    """The same problems, seen from further out."""
    return tuple(FieldProblem(prefix + one.pointer, one.detail, one.allowed) for one in problems)
