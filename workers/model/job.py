"""What is handed in: a part, the materials allowed, what it must hold, and what matters most."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from workers.model.part import Axis, FeatureKind, GeometrySummary


class JobState(StrEnum):
    """See DEVELOPERS.md for the arrows between them."""

    ACCEPTED = "accepted"  # kept, in the inbox
    ANALYSING = "analysing"  # waits for its part's summary
    ROUTED = "routed"
    UNROUTABLE = "unroutable"  # every candidate was refused; can be retried when the shop changes
    FAILED = "failed"  # scoring raised; can be retried
    BOUND = "bound"  # in a machine's dispatch list
    PRINTING = "printing"
    DONE = "done"
    SCRAPPED = "scrapped"
    CANCELLED = "cancelled"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Lower and upper limit of size, mm."""

    lower_mm: float
    upper_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Mating:
    """The part that goes into (or around) the feature, and the clearance wanted, all mm.

    For a hole: clearance = hole - mate. For a boss: clearance = mate - boss.
    """

    mate_mm: float
    clearance_min_mm: float
    clearance_max_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceNeed:
    """One toleranced size. Exactly one of limits, iso286, iso2768 and mating is given."""

    name: str
    kind: FeatureKind
    nominal_mm: float
    axis: Axis = Axis.VERTICAL
    facets: int | None = None
    limits: Limits | None = None
    iso286: str | None = None
    iso2768: str | None = None
    mating: Mating | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CriticalDetail:
    """A detail the part is useless without: a bead wider than size_mm is refused."""

    name: str
    kind: FeatureKind
    size_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MaterialNeed:
    """Materials named outright (any of them), or the properties that one must have, or both."""

    material_ids: tuple[str, ...] = ()
    tensile_strength_min_mpa: float | None = None
    heat_deflection_min_c: float | None = None
    flexible: bool | None = None
    fibre_filled: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Emphasis:
    """Weights of the four scores; each >= 0, at least one > 0; used divided by their sum."""

    detail: float = 0.3
    fit: float = 0.3
    clog: float = 0.2
    time: float = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """How the part will be used: brings gates and cautions, never a promise of fitness."""

    load_bearing: bool = False
    food_contact: bool = False
    mains_powered: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSpec:
    """A job as it was handed in; it never changes afterwards."""

    name: str
    summary: GeometrySummary
    material: MaterialNeed
    tolerances: tuple[ToleranceNeed, ...] = ()
    critical: tuple[CriticalDetail, ...] = ()
    emphasis: Emphasis | None = None  # None: the shop's default
    use: Use = Use()
    quantity: int = 1
    shells: int = 3
    infill: float = 0.2
    due_at: float | None = None
    priority: int = 0
    note: str = ""
