"""Bore trials: a planned, randomised comparison of bores on the same pieces."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

from workers.model.errors import NotFoundError
from workers.model.outcome import ScrapReason
from workers.model.part import Axis, FeatureKind

EPSILON_MM = 5e-4  # bores closer than this are the same bore


class TrialState(StrEnum):
    """planned -> running -> closed; planned, running -> cancelled."""

    PLANNED = "planned"
    RUNNING = "running"
    CLOSED = "closed"
    CANCELLED = "cancelled"


class MeasureKind(StrEnum):
    SIZE = "size"  # measured, mm; the response is measured - nominal
    KEPT = "kept"  # a graded feature is there, or is not
    CLOG = "clog"  # the run clogged at least once, or not
    TIME = "time"  # hours of the run; compared as ratios


BINARY = frozenset({MeasureKind.KEPT, MeasureKind.CLOG})


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """What is looked at on every run.

    use: what it stands for ("sliding fit, H11"); lower_mm, upper_mm: limits of a size, None: it is only compared;
    series: graded features of one kind share it, nominal_mm is then the grade; spread: standard deviation expected of
    equal runs (mm; for time of ln hours), None: the prior; matters: smallest difference worth knowing, same unit.
    part_id: of several parts the one it is looked at on.
    """

    name: str
    kind: MeasureKind
    use: str = ""
    feature: FeatureKind | None = None
    nominal_mm: float | None = None
    axis: Axis = Axis.VERTICAL
    facets: int | None = None
    lower_mm: float | None = None
    upper_mm: float | None = None
    series: str = ""
    spread: float | None = None
    matters: float | None = None
    part_id: str | None = None

    @property
    def has_limits(self) -> bool:
        return self.lower_mm is not None and self.upper_mm is not None

    def is_on(self, run: TrialRun) -> bool:
        """Whether it is looked at on the run's piece."""
        return self.part_id is None or run.part_id is None or self.part_id == run.part_id


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialPlan:
    """A trial as it was defined. part_ids: several parts, each printed with every bore in every replicate; else
    part_id is printed, None: the built-in gauge piece.

    nozzle_ids empty: any nozzle of the shop with one of the bores. runs_per_replicate: bores compared within one
    replicate of a block, None: all of them. width_to_bore, layer_to_bore: the bead, the nearest of the bore's grid.
    wanted_share: share of copies that must be good for a bore to hold a use. ahead: runs of one machine that are
    handed in at the same time; 1 keeps the order as it was drawn.
    """

    name: str
    bores_mm: tuple[float, ...]
    material_ids: tuple[str, ...]
    machine_ids: tuple[str, ...]
    part_id: str | None = None
    nozzle_ids: tuple[str, ...] = ()
    replicates: int = 3
    runs_per_replicate: int | None = None
    seed: int = 1
    measures: tuple[Measure, ...] = ()
    width_to_bore: float = 1.1
    layer_to_bore: float = 0.5
    shells: int = 3
    infill: float = 0.2
    wanted_share: float = 0.8
    ahead: int = 1
    note: str = ""
    part_ids: tuple[str, ...] = ()

    @property
    def pieces(self) -> tuple[str | None, ...]:
        """What is printed, by part id; None: the gauge piece."""
        return self.part_ids or (self.part_id,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A photograph of a printed piece, as it is kept."""

    media_type: str
    size_bytes: int
    width_px: int
    height_px: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSize:
    """One size measured on a run, by the name of its measure."""

    name: str
    measured_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunResult:
    """What became of a run. kept, lost: names of graded features, each looked at.

    outcome_id: the outcome that the evidence has learnt from.
    """

    at: float
    accepted: bool
    scrap_reason: ScrapReason | None = None
    clogs: int = 0
    print_h: float | None = None
    extruded_cm3: float | None = None
    sizes: tuple[RunSize, ...] = ()
    kept: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()
    spool_id: str | None = None
    note: str = ""
    outcome_id: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialRun:
    """One piece to print. number: from 1, in the order drawn for its machine; block: machine and spool.

    print_h, setup_h, material_g: estimates. job_id None: not handed in yet. part_id: of several parts the one printed.
    """

    number: int
    block: int
    replicate: int
    machine_id: str
    nozzle_id: str
    material_id: str
    bore_mm: float
    bead_width_mm: float
    layer_height_mm: float
    print_h: float
    setup_h: float
    material_g: float
    spool_id: str | None = None
    job_id: str | None = None
    result: RunResult | None = None
    photo: Photo | None = None
    part_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BoreLeftOut:
    """A bore that cannot be printed on a machine in a material, and why."""

    machine_id: str
    material_id: str
    bore_mm: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BoreTrial:
    """efficiency: of the incomplete blocks, 1 where every block holds every bore equally often."""

    id: str
    state: TrialState
    version: int
    plan: TrialPlan
    runs: tuple[TrialRun, ...]
    efficiency: float
    created_at: float
    updated_at: float
    left_out: tuple[BoreLeftOut, ...] = ()
    notes: tuple[str, ...] = ()
    reason: str = ""

    def run(self, number: int) -> TrialRun:
        """Raises NotFoundError."""
        for run in self.runs:
            if run.number == number:
                return run
        raise NotFoundError(f"the trial has no run {number}")

    def printed(self, run: TrialRun) -> str | None:
        """The part of a run; None: the gauge piece."""
        return run.part_id or self.plan.part_id

    def with_run(self, changed: TrialRun) -> BoreTrial:
        """The trial with one of its runs changed."""
        return replace(self, runs=tuple(changed if run.number == changed.number else run for run in self.runs))

    def measured(self) -> Iterator[tuple[TrialRun, RunResult]]:
        """The runs that have a result."""
        return ((run, run.result) for run in self.runs if run.result is not None)
