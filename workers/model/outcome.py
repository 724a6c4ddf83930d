"""What happened to a print, beside what the models had said of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from workers.model.part import Axis, FeatureKind
from workers.model.routing import MODEL_VERSION


class OutcomeState(StrEnum):
    """learnt and confirmed outcomes are in the evidence; flagged and withdrawn ones are not."""

    LEARNT = "learnt"
    FLAGGED = "flagged"  # out of line: kept, not learnt until confirmed
    CONFIRMED = "confirmed"  # was flagged, and is right
    WITHDRAWN = "withdrawn"


class ScrapReason(StrEnum):
    """Why a print was not accepted. Clogs and sizes have models of their own; the rest is learnt as a share."""

    CLOG = "clog"
    SIZE = "size"
    DETAIL = "detail"
    WARPED = "warped"
    CAME_LOOSE = "came-loose"
    SURFACE = "surface"
    BROKE = "broke"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredSize:
    """A size as measured, its limits, and what was expected.

    prior_*: before any evidence or calibration; expected_*: as the routing said (Student t with expected_dof).
    expected_probability: of conforming. All None where nothing was predicted: then the size is kept, not learnt.
    """

    name: str
    kind: FeatureKind
    axis: Axis
    nominal_mm: float
    measured_mm: float
    lower_mm: float | None = None
    upper_mm: float | None = None
    prior_mean_mm: float | None = None
    prior_scale_mm: float | None = None
    expected_mean_mm: float | None = None
    expected_scale_mm: float | None = None
    expected_dof: float | None = None
    expected_probability: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What the routing said of one copy. prior_*: the physics alone, before any evidence.

    ln(actual / print_h) is Student t with scale print_ln_scale and print_dof.
    """

    print_h: float
    print_ln_scale: float
    print_dof: float
    prior_print_h: float
    volume_cm3: float
    clog_risk: float
    prior_clog_per_cm3: float
    good_share: float
    model_version: str = MODEL_VERSION


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What a person or a machine reports of one copy. sizes: (name of the toleranced size, measured mm)."""

    accepted: bool
    scrap_reason: ScrapReason | None = None
    note: str = ""
    clogs: int = 0
    print_h: float | None = None
    extruded_cm3: float | None = None  # None: the whole copy, if it was accepted
    sizes: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One copy printed. flags: why it is out of line. print_h None: not timed, or not finished.

    spool_g, abrasive_cm3: what was taken off the spool and put on the nozzle's account, to be given back exactly.
    """

    id: str
    job_id: str
    at: float
    machine_id: str
    nozzle_id: str
    material_id: str
    bore_mm: float
    bead_width_mm: float
    layer_height_mm: float
    accepted: bool
    scrap_reason: ScrapReason | None = None
    note: str = ""
    clogs: int = 0
    print_h: float | None = None
    extruded_cm3: float = 0.0
    sizes: tuple[MeasuredSize, ...] = ()
    expected: Expected | None = None
    state: OutcomeState = OutcomeState.LEARNT
    flags: tuple[str, ...] = ()
    spool_id: str | None = None
    spool_g: float = 0.0
    abrasive_cm3: float = 0.0
    version: int = 1
