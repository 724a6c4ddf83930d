"""What is handed in: a part, the materials allowed, what it must hold, and what matters most."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from workers.model.errors import ConflictError, FieldProblem, InvalidError
from workers.model.part import Axis, Feature, FeatureKind, GeometrySummary


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
class OpenTolerance:
    """A toleranced size that may lean on the part: what is None is taken from the part's feature of its name."""

    name: str
    kind: FeatureKind | None = None
    nominal_mm: float | None = None
    axis: Axis | None = None
    facets: int | None = None
    limits: Limits | None = None
    iso286: str | None = None
    iso2768: str | None = None
    mating: Mating | None = None

    def closed(self, feature: Feature | None) -> ToleranceNeed:
        """The need with what its feature says. Raises InvalidError, with pointers relative to the tolerance."""
        kind = self.kind or (feature.kind if feature else None)
        nominal = self.nominal_mm or (feature.nominal_mm if feature else None)
        if kind is None or nominal is None:
            missing = [name for name, value in (("kind", kind), ("nominal_mm", nominal)) if value is None]
            detail = f"this is missing, and the summary has no feature called {self.name!r} to take it from"
            raise InvalidError(detail, fields=tuple(FieldProblem(f"/{name}", detail) for name in missing))
        return ToleranceNeed(
            name=self.name,
            kind=kind,
            nominal_mm=nominal,
            axis=self.axis or (feature.axis if feature else Axis.VERTICAL),
            facets=self.facets or (feature.facets if feature else None),
            limits=self.limits,
            iso286=self.iso286,
            iso2768=self.iso2768,
            mating=self.mating,
        )


def closed_tolerances(given: tuple[OpenTolerance, ...], summary: GeometrySummary) -> tuple[ToleranceNeed, ...]:
    """Tolerances with what their features say. Raises InvalidError with every problem, at /tolerances/N/..."""
    features = {feature.name: feature for feature in summary.features}
    needs: list[ToleranceNeed] = []
    problems: list[FieldProblem] = []
    for index, tolerance in enumerate(given):
        try:
            needs.append(tolerance.closed(features.get(tolerance.name)))
        except InvalidError as error:
            problems += [FieldProblem(f"/tolerances/{index}{one.pointer}", one.detail) for one in error.fields]
    if problems:
        raise InvalidError(f"{problems[0].pointer}: {problems[0].detail}", fields=tuple(problems))
    return tuple(needs)


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
class PlaceNeed:
    """The one machine and nozzle that a job may be printed with, and the bead, mm: the nearest of the bore's grid.

    For what is printed to compare places (a bore trial); bead None: any.
    """

    machine_id: str
    nozzle_id: str
    bead_width_mm: float | None = None
    layer_height_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSpec:
    """A job as it was handed in; it never changes afterwards.

    At intake it has exactly one of summary and part_id. With a part_id, the summary and what the tolerances take
    from it (open_tolerances) stay with the part and are filled in by :meth:`with_part` when the job is routed.
    """

    name: str
    material: MaterialNeed
    summary: GeometrySummary | None = None
    part_id: str | None = None
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
    open_tolerances: tuple[OpenTolerance, ...] = ()
    place: PlaceNeed | None = None  # None: any machine and nozzle

    def part(self) -> GeometrySummary:
        """The summary. Raises ConflictError while it is not filled in."""
        if self.summary is None:
            raise ConflictError("the summary of the job's part is not known yet")
        return self.summary

    def with_part(self, summary: GeometrySummary) -> JobSpec:
        """The job with its part's summary filled in. Raises InvalidError where a tolerance lacks its feature."""
        closed = closed_tolerances(self.open_tolerances, summary)
        return replace(self, summary=summary, tolerances=(*self.tolerances, *closed), open_tolerances=())
