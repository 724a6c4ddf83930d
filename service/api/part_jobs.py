"""Jobs that refer to a part: what is checked at intake, and the part filled in where one looks at them."""

from __future__ import annotations

from dataclasses import replace

from service.api.fields import Refused
from service.api.job_schema import resolve
from service.api.schema import summary_of
from service.context import stores
from workers.model.codec import from_json
from workers.model.errors import ConflictError, FieldProblem, InvalidError
from workers.model.job import JobSpec
from workers.model.part_record import WAITING, PartPose, PartRecord, PartState
from workers.model.record import JobRecord
from workers.model.routing import Routing
from workers.store.parts import require_usable


def require_part(spec: JobSpec) -> PartRecord | None:
    """The part that the job refers to. Raises InvalidError where it is unknown, was refused, or, once it is analysed,
    lacks a feature that a tolerance leans on."""
    if spec.part_id is None:
        return None
    try:
        part = require_usable(stores().parts.heads([spec.part_id])[0], spec.part_id)
    except InvalidError as error:
        raise InvalidError(error.detail, fields=(FieldProblem("/part_id", error.detail),)) from None
    require_features_if_known(spec)
    return part


def require_features_if_known(spec: JobSpec) -> None:
    """Raises InvalidError where a tolerance cannot be closed with the features of the job's part."""
    if spec.part_id is None or not spec.open_tolerances:
        return
    [poses] = stores().parts.poses([spec.part_id])
    if poses is None:
        return
    try:
        resolve(spec.open_tolerances, from_json(poses, tuple[PartPose, ...])[0].summary)
    except Refused as refused:
        raise InvalidError(summary_of(refused), fields=refused.problems) from None


def require_analysed(spec: JobSpec) -> None:
    """Raises InvalidError as :func:`require_part`, ConflictError while the part is being analysed."""
    part = require_part(spec)
    if part is not None and part.state in WAITING:
        raise ConflictError(f"the part is {part.state} ({part.percent:.0f} %): ask again when it is analysed")


def routed(job_id: str, wanted: str) -> tuple[JobRecord, JobSpec]:
    """The job, and its spec with its part filled in. Raises NotFoundError, ConflictError where it has no routing
    (``wanted``: what for)."""
    record, routing = stores().jobs.get(job_id), stores().jobs.routing(job_id)
    spec = with_part(record, routing).spec
    if routing is None or spec.summary is None:
        raise ConflictError(f"the job is {record.state} and has no routing {wanted}")
    return record, spec


def with_part(record: JobRecord, routing: Routing | None) -> JobRecord:
    """The record with its part filled in as the routing has it; unchanged while that is not known."""
    spec = record.spec
    if spec.part_id is None:
        return record
    part = stores().parts.heads([spec.part_id])[0]
    if part is None or part.state is not PartState.ANALYSED:
        return record
    poses = stores().parts.get(spec.part_id).poses
    name = None if routing is None or routing.pose is None else routing.pose.name
    pose = next((one for one in poses if one.name == name), poses[0])
    try:
        return replace(record, spec=spec.with_part(pose.summary))
    except InvalidError:
        return replace(record, spec=replace(spec, summary=pose.summary))
