"""Geometry: one mesh a task, analysed in a child process, its result committed once.

As with routing, RQ is the doorbell only: which part is next, and who has it in hand, our own records say.
"""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable
from dataclasses import replace

import redis
from rq import Queue, get_current_job
from rq.serializers import JSONSerializer
from rq.timeouts import BaseTimeoutException

from workers.geometry.errors import AnalysisUnavailableError, MeshCrashedError
from workers.geometry.limits import MeshLimits
from workers.model.errors import InvalidError
from workers.model.part_record import AS_GIVEN, MeshOptions, Orientation, PartPose, PartProblem
from workers.store.analyses import Claim
from workers.store.stores import Stores, open_stores
from workers.tasks.routing import consumer_name, ring

log = logging.getLogger("borewright.tasks")

GEOMETRY_QUEUE = "geometry"
BELL_S = 5
GRACE_S = 15.0  # from the end of the analysis to its commit, and for a child to start
MOST_ATTEMPTS = 5  # a part whose analysis takes the worker down each time is refused. Engineering prior.
UNAVAILABLE_S = 5.0  # until another try where no child could be started
AGAIN_S = 0.5  # between two tries to commit
TOLD_EVERY_S = 0.5  # most often that progress is written

# What a job may be handed in with is narrower than what a mesh file may hold; see the summary's schema.
_limits = MeshLimits(largest_mm=5_000.0, smallest_mm=0.1)
_stores: dict[tuple[int, str], Stores] = {}


def use_mesh_limits(*, upload_bytes: int, triangles: int, seconds: float, memory_bytes: int) -> None:
    """Set the bounds on every analysis of this process."""
    global _limits  # noqa: PLW0603 - one set of limits a process
    _limits = replace(
        _limits, upload_bytes=upload_bytes, triangles=triangles, seconds=seconds, memory_bytes=memory_bytes
    )


def warm_geometry() -> None:
    """Have what an analysis needs imported once, for a process that will make many."""
    from workers.geometry import sandbox

    sandbox.keep_warm()


def ring_geometry(stores: Stores) -> bool:
    """Ask for an analysis, unless one is asked for already. Returns whether a task was queued."""
    if not stores.client.set(stores.keys.geometry_bell, "1", nx=True, ex=BELL_S):
        return False
    _queue(stores).enqueue(
        "workers.tasks.analyse",
        stores.keys.shop,
        result_ttl=0,
        failure_ttl=86_400,
        job_timeout=int(_limits.seconds + 4 * GRACE_S),
    )
    return True


def analyse(shop: str) -> str | None:
    """RQ task: analyse the part of ``shop`` that waits longest. Returns its id."""
    task = get_current_job()
    if task is None:
        raise RuntimeError("analyse runs as an RQ task; call analyse_next elsewhere")
    key = (os.getpid(), shop)
    if key not in _stores:
        _stores[key] = open_stores(task.connection, shop)
    return analyse_next(_stores[key], consumer_name(os.environ.get("BOREWRIGHT_WORKER", "worker")))


def analyse_next(stores: Stores, holder: str) -> str | None:
    """Claim, analyse and commit one part; the jobs that waited for it go on. Returns its id, None if none waits."""
    stores.client.delete(stores.keys.geometry_bell)  # before the look: who comes after it rings again
    stores.analyses.release(holder)  # a worker has one part in hand: what else stands under its name was cut off
    claim = stores.analyses.claim(holder, _limits.seconds + GRACE_S)
    if claim is None:
        return None
    if stores.analyses.claimable():
        ring_geometry(stores)  # another worker, or this one afterwards
    try:
        display = _Display()
        result = _result(stores, claim, display)
    except AnalysisUnavailableError as error:
        log.warning("part %s waits on: %s", claim.part_id, error.detail)
        stores.analyses.give_back(claim, UNAVAILABLE_S)
        return claim.part_id
    if _committed(stores, claim, result, display.stl):
        ring(stores)
    return claim.part_id


def _committed(stores: Stores, claim: Claim, result: tuple[PartPose, ...] | PartProblem, display: bytes) -> int | None:
    """Commit, over and over while the store is away and the claim may hold: the work is done already."""
    until = time.monotonic() + GRACE_S
    while True:
        try:
            return stores.analyses.commit(claim, result, display)
        except (redis.ConnectionError, redis.TimeoutError) as error:
            if time.monotonic() > until:
                raise
            log.warning("committing %s again: %s", claim.part_id, type(error).__name__)
            time.sleep(AGAIN_S)


def reconcile_parts(stores: Stores) -> bool:
    """Ring where parts wait that nobody holds and no task is queued. Returns whether it rang."""
    try:
        return bool(stores.analyses.claimable()) and not len(_queue(stores)) and ring_geometry(stores)
    except redis.RedisError as error:
        log.warning("reconciling was not possible now: %s", error)
        return False


def _queue(stores: Stores) -> Queue:
    return Queue(GEOMETRY_QUEUE, connection=stores.client, serializer=JSONSerializer)


def _result(stores: Stores, claim: Claim, display: _Display) -> tuple[PartPose, ...] | PartProblem:
    """The poses, or the refusal. Raises AnalysisUnavailableError; what is wrong with the store passes too."""
    try:
        return _analysed(stores, claim, display)
    except InvalidError as error:
        return problem_of(error)
    except (AnalysisUnavailableError, redis.RedisError, BaseTimeoutException):
        raise
    except Exception as error:
        log.exception("the analysis of %s broke off", claim.part_id)
        return problem_of(MeshCrashedError(f"The analysis broke off ({type(error).__name__}); the mesh is refused."))


def _analysed(stores: Stores, claim: Claim, display: _Display) -> tuple[PartPose, ...]:
    if claim.attempt > MOST_ATTEMPTS:
        raise MeshCrashedError(f"The analysis broke off {MOST_ATTEMPTS} times, the limit; the mesh is refused.")
    data, part = stores.parts.mesh(claim.part_id), stores.parts.get(claim.part_id)
    if data is None or part.options is None:
        raise MeshCrashedError("The file's bytes are no longer kept; hand it in again.")
    return poses_of(data, part.options, _limits, _Told(stores, claim), display)


def poses_of(
    data: bytes,
    options: MeshOptions,
    limits: MeshLimits,
    progress: Callable[[str, float], None],
    keep_display: Callable[[bytes], None] | None = None,
) -> tuple[PartPose, ...]:
    """The summaries of a mesh, as given first; what it looks like goes to ``keep_display``.

    Raises InvalidError, AnalysisUnavailableError.
    """
    from workers.geometry import sandbox
    from workers.geometry.carried import carried_features

    unit = options.unit or "mm"  # a 3MF carries its own
    if options.orientation is Orientation.AS_GIVEN:
        summary = sandbox.run_summary(
            data, fmt=options.fmt, unit=unit, limits=limits, progress=progress, keep_display=keep_display
        )
        return (PartPose(name=AS_GIVEN, summary=summary),)
    pairs = sandbox.run_poses(
        data, fmt=options.fmt, unit=unit, limits=limits, progress=progress, keep_display=keep_display
    )
    given = pairs[0][1]
    return tuple(
        PartPose(
            name=pose.name,
            rotation=pose.rows,  # type: ignore[arg-type]
            summary=replace(summary, features=carried_features(given, summary, pose)),
        )
        for pose, summary in pairs
    )


def problem_of(error: InvalidError) -> PartProblem:
    return PartProblem(slug=error.slug, title=error.title, status=error.status, detail=error.detail)


class _Display:
    """What the part looks like, once that is known."""

    stl = b""

    def __call__(self, stl: bytes) -> None:
        self.stl = stl


class _Told:
    """Writes progress when the phase changes, and else every half second; a store that is away does not stop it."""

    def __init__(self, stores: Stores, claim: Claim) -> None:
        self._stores, self._claim = stores, claim
        self._phase, self._at = "", 0.0

    def __call__(self, phase: str, percent: float) -> None:
        now = time.monotonic()
        if phase == self._phase and now - self._at < TOLD_EVERY_S:
            return
        self._phase, self._at = phase, now
        try:
            self._stores.analyses.progress(self._claim, phase, percent)
        except redis.RedisError as error:
            log.warning("progress of %s not written: %s", self._claim.part_id, type(error).__name__)
