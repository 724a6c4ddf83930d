"""What the store keeps about a part: where its analysis stands, and what it came to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from workers.model.part import GeometrySummary

Rotation = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]
UNTURNED: Rotation = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
AS_GIVEN = "as-given"


class PartState(StrEnum):
    ACCEPTED = "accepted"  # kept, waits for its analysis
    ANALYSING = "analysing"  # a worker has it in hand
    ANALYSED = "analysed"
    REFUSED = "refused"  # the mesh yields no summary; the problem says why


WAITING = frozenset({PartState.ACCEPTED, PartState.ANALYSING})


class Orientation(StrEnum):
    AS_GIVEN = "as-given"  # z of the file is up
    BEST = "best"  # the few stable resting poses are compared, the best routing is kept


@dataclass(frozen=True, slots=True, kw_only=True)
class MeshOptions:
    """How a mesh is to be read. fmt: None goes by the content; unit: None where the file carries its own (3MF)."""

    unit: str | None
    fmt: str | None = None
    orientation: Orientation = Orientation.AS_GIVEN


@dataclass(frozen=True, slots=True, kw_only=True)
class PartPose:
    """The part in one build orientation. The rows of ``rotation`` turn the file's coordinates into it."""

    name: str
    summary: GeometrySummary
    rotation: Rotation = UNTURNED


@dataclass(frozen=True, slots=True, kw_only=True)
class PartProblem:
    """Why a mesh was refused, in the words of a problem (RFC 9457)."""

    slug: str
    title: str
    status: int
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartRecord:
    """options: None for a summary that was posted by hand; size_bytes: of the mesh file.

    percent: of the present attempt, 0 to 100. poses: the first is as given; empty until analysed. version rises
    with every change, progress included (the ETag).
    """

    id: str
    state: PartState
    version: int
    name: str
    options: MeshOptions | None
    size_bytes: int
    created_at: float
    updated_at: float
    attempt: int = 0
    phase: str = ""
    percent: float = 0.0
    problem: PartProblem | None = None
    poses: tuple[PartPose, ...] = ()

    def summary(self) -> GeometrySummary | None:
        """As given; None while it is not analysed."""
        return self.poses[0].summary if self.poses else None
