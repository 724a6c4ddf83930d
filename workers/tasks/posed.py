"""Jobs with their parts filled in: one spec for each pose that is to be compared."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from threading import Lock

from workers.model.codec import from_json
from workers.model.errors import InvalidError
from workers.model.job import JobSpec
from workers.model.part_record import PartPose
from workers.model.routing import Routing
from workers.routing.poses import best_of_poses
from workers.store.stores import Stores

KNOWN_BYTES = 8 * 1024 * 1024  # of JSON; a part is some 10 to 50 kB of it. Engineering prior.


@dataclass(frozen=True, slots=True)
class PosedJob:
    """A job ready to be scored. poses: empty where the part is taken as given, else one for each of ``specs``."""

    specs: tuple[JobSpec, ...]
    poses: tuple[PartPose, ...] = ()

    def chosen(self, routings: Sequence[Routing]) -> Routing:
        """The routing that is kept, of one for each of ``specs``."""
        return best_of_poses(self.poses, routings) if self.poses else routings[0]

    def spec_of(self, routing: Routing) -> JobSpec:
        """The spec, of ``specs``, that the routing stands for."""
        names = [pose.name for pose in self.poses]
        return self.specs[names.index(routing.pose.name) if routing.pose is not None and names else 0]


class KnownParts:
    """Poses by part id: a part never changes once it is analysed. The least recently used go first."""

    def __init__(self, max_bytes: int = KNOWN_BYTES) -> None:
        self._max_bytes, self._bytes, self._lock = max_bytes, 0, Lock()
        self._parts: OrderedDict[str, tuple[int, tuple[PartPose, ...]]] = OrderedDict()

    def of(self, stores: Stores, part_ids: Sequence[str]) -> dict[str, tuple[PartPose, ...]]:
        """The poses of each part that is analysed, read from the store where they are not known yet."""
        with self._lock:
            found = {i: self._parts[i][1] for i in part_ids if i in self._parts}
            for part_id in found:
                self._parts.move_to_end(part_id)
        unknown = [i for i in part_ids if i not in found]
        for part_id, raw in zip(unknown, stores.parts.poses(unknown) if unknown else (), strict=True):
            if raw is not None:
                found[part_id] = self._keep(part_id, raw)
        return found

    def _keep(self, part_id: str, raw: bytes) -> tuple[PartPose, ...]:
        poses = tuple(_for_scoring(pose) for pose in from_json(raw, tuple[PartPose, ...]))
        with self._lock:
            self._bytes += len(raw) - self._parts.pop(part_id, (0, ()))[0]
            self._parts[part_id] = (len(raw), poses)
            while self._bytes > self._max_bytes and len(self._parts) > 1:
                self._bytes -= self._parts.popitem(last=False)[1][0]
        return poses


_known = KnownParts()


def posed_jobs(stores: Stores, specs: Sequence[JobSpec], known: KnownParts = _known) -> list[PosedJob | InvalidError]:
    """Each job with its part, or why it cannot have it."""
    part_ids = list(dict.fromkeys(spec.part_id for spec in specs if spec.part_id is not None))
    parts = known.of(stores, part_ids) if part_ids else {}
    return [_posed(spec, parts) for spec in specs]


def _posed(spec: JobSpec, parts: dict[str, tuple[PartPose, ...]]) -> PosedJob | InvalidError:
    if spec.part_id is None:
        return PosedJob((spec,))
    poses = parts.get(spec.part_id)
    if poses is None:
        return InvalidError(f"the part {spec.part_id!r} has no summary")
    try:
        specs = tuple(spec.with_part(pose.summary) for pose in poses)
    except InvalidError as error:
        return error
    return PosedJob(specs, poses if len(poses) > 1 else ())


def _for_scoring(pose: PartPose) -> PartPose:
    """Without the drawings, which are most of its bytes."""
    return replace(pose, summary=replace(pose.summary, worst_layers=()))
