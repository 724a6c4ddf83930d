"""The answer for a job: numbers and ids only; ``workers/routing/explain.py`` makes sentences from it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

MODEL_VERSION = "2"


class Gate(StrEnum):
    """Hard conditions, in the order in which they are checked and named."""

    PLACE = "place"  # the machine and nozzle that the job names
    MACHINE_UP = "machine-up"
    MATERIAL_NEED = "material-need"  # a property that the job asks for
    BUILD_VOLUME = "build-volume"
    NOZZLE_TEMPERATURE = "nozzle-temperature"
    BED_TEMPERATURE = "bed-temperature"
    CHAMBER = "chamber"
    TIP_WEAR_CLASS = "tip-wear-class"
    WORN = "worn"  # the tip has carried the abrasive volume it is good for
    BORE_FOR_FILLER = "bore-for-filler"
    STOCK = "stock"
    CRITICAL_DETAIL = "critical-detail"
    LAYER_FOR_LOAD = "layer-for-load"


class Weighed(StrEnum):
    """The four scores."""

    DETAIL = "detail"
    FIT = "fit"
    CLOG = "clog"
    TIME = "time"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scores:
    """Each in (0, 1]; 1 is best."""

    detail: float
    fit: float
    clog: float
    time: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FitPrediction:
    """One toleranced size on one candidate: what is expected against what is allowed, mm.

    prior_mean_mm, prior_scale_mm: the same before any calibration or outcome.
    """

    name: str
    lower_mm: float
    upper_mm: float
    mean_mm: float
    scale_mm: float
    dof: float
    probability: float
    cpk: float
    prior_mean_mm: float | None = None
    prior_scale_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeSplit:
    """Hours of one copy by what sets the pace."""

    melt_h: float
    motion_h: float
    cooling_h: float
    travel_h: float
    setup_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Grounds:
    """What a pairing's scores rest on besides the priors; all of its own pairing, none of its neighbours.

    prints, sizes, timed, volume_cm3: outcomes learnt; calibration_weight: 0 none or worthless, 1 fresh;
    time_factor: hours = physics * time_factor, its logarithm Student t with time_ln_scale and time_dof;
    clog_per_cm3: believed rate, prior_clog_per_cm3: the same before any outcome; sound_share: chance that a
    copy does not fail for another reason than a clog or a size.
    """

    prints: int = 0
    sizes: int = 0
    timed: int = 0
    volume_cm3: float = 0.0
    calibration_weight: float = 0.0
    calibration_age_d: float | None = None
    time_factor: float = 1.0
    time_ln_scale: float = 0.0
    time_dof: float = 0.0
    clog_per_cm3: float = 0.0
    prior_clog_per_cm3: float = 0.0
    sound_share: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A pairing with one bead, scored. Hours, grams and costs are for one copy.

    utility = sum of weight * ln(score). good_share: chance that a copy is neither clogged nor out of
    tolerance, nor scrapped for another reason. *_per_good counts the failed copies in.
    low, high: 90 % credible interval of each score; probability_best: that this is the best of the routing's
    candidates, from posterior draws.
    """

    machine_id: str
    nozzle_id: str
    material_id: str
    bore_mm: float
    bead_width_mm: float
    layer_height_mm: float
    calibrated: bool
    scores: Scores
    utility: float
    print_h: float
    setup_h: float
    material_g: float
    clog_risk: float
    good_share: float
    hours_per_good: float
    grams_per_good: float
    cost_per_good: float
    volume_cm3: float = 0.0
    fits: tuple[FitPrediction, ...] = ()
    low: Scores | None = None
    high: Scores | None = None
    probability_best: float | None = None
    grounds: Grounds = Grounds()


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why pairings dropped out: the gate, what was needed and what there is, and whose figure it is.

    machine_id, nozzle_id and material_id name the subject as far as it decides; None: any.
    pairings: how many pairings this one figure refused.
    """

    gate: Gate
    needed: float | str
    available: float | str
    unit: str
    pairings: int
    machine_id: str | None = None
    nozzle_id: str | None = None
    material_id: str | None = None
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flip:
    """How far one weight must move (the others rescaled) before another candidate wins; None: never."""

    weight: Weighed
    now: float
    falls_to: float | None
    falls_to_winner: str | None
    rises_to: float | None
    rises_to_winner: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """One change that would make the job routable (or better): what, and what it does. amount: how large the change is,
    in its unit (a bore or a radius in mm, by how much limits are widened ...); None where it has no size."""

    change: str
    effect: str
    gate: Gate | None = None
    amount: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Help:
    """One change that was tried on the whole shop: what it makes of a job that is unroutable, or weakly routed.

    now: scores of the choice as it stands (None: there is none); then: of the choice after the change. gain: utility
    that it brings, hours against hours; None where the job is unroutable now: any routing is better. chance: that a
    measurement changes the choice; its gain is what it brings on average. saved_h: print hours that a copy takes less;
    good_gain: share of copies that come out good, more than now. amount, unit: as a remedy has them.
    """

    change: str
    effect: str
    gate: Gate | None = None
    now: Scores | None = None
    then: Scores | None = None
    gain: float | None = None
    chance: float | None = None
    saved_h: float | None = None
    good_gain: float | None = None
    amount: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PoseChoice:
    """The build orientation that the routing stands for, one of ``compared`` resting poses of the part.

    The rows of rotation turn the file's coordinates into it.
    """

    name: str
    rotation: tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]
    compared: int
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Routing:
    """chosen is None when every candidate was refused. others: best bead of each other pairing, ranked.

    as_of: the hour that ages were taken at; None: nothing was aged. pose: where poses were compared; None: the part
    was taken as given.
    """

    shop_revision: int
    emphasis: Scores  # weights, summing to 1
    chosen: Candidate | None
    others: tuple[Candidate, ...]
    refused: tuple[Refusal, ...]
    flips: tuple[Flip, ...] = ()
    split: TimeSplit | None = None
    remedies: tuple[Remedy, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    pairings: int = 0
    candidates: int = 0
    feasible: int = 0
    as_of: float | None = None
    model_version: str = MODEL_VERSION
    pose: PoseChoice | None = None


class Measure(StrEnum):
    """Something that can be measured to know better."""

    GAUGE_PIECE = "gauge-piece"  # a calibration: holes and bosses of a test piece, and the flow ceiling
    MEASURED_PRINT = "measured-print"  # one copy of the job itself, timed and measured


@dataclass(frozen=True, slots=True, kw_only=True)
class InformationValue:
    """What one measurement is worth to one routing.

    gain: utility that the changed choice is expected to bring; chance_of_change: that it changes the choice.
    """

    measure: Measure
    machine_id: str
    nozzle_id: str
    material_id: str
    gain: float
    chance_of_change: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One score's exact share of the gap between the choice and the runner-up: weight * ln(score / other)."""

    score: Weighed
    weight: float
    chosen: float
    runner_up: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """A routing in plain sentences. contributions sum to the utility gap to the first of ``others``."""

    headline: str
    reasons: tuple[str, ...]
    contributions: tuple[Contribution, ...]
    refusals: tuple[str, ...]
    flips: tuple[str, ...]
    remedies: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
