"""Line-up studies: what is asked, and what comes out. Money is in the shop's currency, per window unless said."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from workers.model.fleet import TipMaterial
from workers.model.job import JobSpec

LINE_UP_STUDY = "line-up-study"  # the kind of its long task


class MixSource(StrEnum):
    """Where the jobs come from that a line-up is judged by."""

    HISTORY = "history"  # handed in during the last history_days
    QUEUE = "queue"  # waiting now
    FORECAST = "forecast"  # given with the study


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastEntry:
    """A job that is expected ``count`` times in the window."""

    job: JobSpec
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class NozzleOffer:
    """A kind of nozzle that may be bought: up to at_most pieces at price each."""

    name: str
    bore_mm: float
    tip: TipMaterial
    fitting: str
    price: float
    at_most: int = 1
    nozzle_temp_max_c: float = 300.0
    land_mm: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LineUpPrices:
    """What things cost that no machine record says. Each default is an engineering prior: a shop knows better.

    operator_per_h: time of a person, for setups and changes of nozzle. scrap_each: clearing away a failed copy.
    clog_each: clearing a blocked bore. detail_each: a copy that has lost all of its fine detail; less is in proportion.
    late_per_h: an hour past a due date, or of work that a machine has no room for. outside_each, outside_per_cm3:
    having a copy made elsewhere. payback_h: hours of the shop's life over which prices and changes must pay.
    utilisation: share of a window in which a machine prints. given: names of those that were given.
    """

    operator_per_h: float = 30.0
    scrap_each: float = 2.0
    clog_each: float = 15.0
    detail_each: float = 10.0
    late_per_h: float = 5.0
    outside_each: float = 40.0
    outside_per_cm3: float = 2.0
    payback_h: float = 4380.0
    utilisation: float = 0.6
    given: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LineUpRequest:
    """machine_ids: empty for all that are in service. window_h: hours in which the mix is printed; a history's are its
    days. seed: of the search and the resampling."""

    name: str = ""
    source: MixSource = MixSource.QUEUE
    history_days: int = 30
    forecast: tuple[ForecastEntry, ...] = ()
    machine_ids: tuple[str, ...] = ()
    offers: tuple[NozzleOffer, ...] = ()
    window_h: float = 168.0
    prices: LineUpPrices = LineUpPrices()
    seed: int = 1
    time_limit_s: float = 60.0


class StudyMethod(StrEnum):
    INTEGER_PROGRAM = "integer-program"
    SEARCH = "search"


@dataclass(frozen=True, slots=True, kw_only=True)
class CostSplit:
    """What a line-up costs in a window, by cause; they sum to total.

    machine: print hours and setups at the machine's hourly cost; operator: hours of setting up; material: filament,
    failed copies included; scrap, clog, detail, late, outside: as the prices say; change: changes of nozzle;
    purchase: nozzles bought, both spread over the payback.
    """

    machine: float
    operator: float
    material: float
    scrap: float
    clog: float
    detail: float
    late: float
    outside: float
    change: float
    purchase: float
    total: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Mounted:
    """One nozzle of a line-up. nozzle_ids: pieces that may serve (alike); empty: to be bought.

    hours: expected to print in the window; is_new: it is not there today.
    """

    machine_id: str
    nozzle: str
    bore_mm: float
    tip: TipMaterial
    hours: float
    is_new: bool
    nozzle_ids: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineLoad:
    """room_h: hours that the machine has in the window; rent: what one more would save."""

    machine_id: str
    hours: float
    room_h: float
    rent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LineUpAnswer:
    """A line-up with what it costs."""

    mounted: tuple[Mounted, ...]
    loads: tuple[MachineLoad, ...]
    costs: CostSplit
    print_h: float
    late_h: float
    copies_outside: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Saving:
    """Today's cost less the best line-up's, per window. low, high: 90 % interval over jobs drawn again and over the
    models' uncertainty; chance: share of the draws in which the best line-up saves at all."""

    expected: float
    share: float
    low: float
    high: float
    chance: float
    draws: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Deciding:
    """A job by which the line-ups differ. saving: its part of the saving; today, best: where it prints mostly."""

    name: str
    job_id: str | None
    count: int
    saving: float
    today: str
    best: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OfferWorth:
    """break_even: the highest price at which the first piece pays within the payback. saving_without, saving_with: per
    window, with no piece and with one for nothing; other offers may be bought at their prices in both. proved: both
    are optima; otherwise break_even lies between break_even_low and break_even_high, if the models hold. pays: None
    where these leave it open."""

    name: str
    bore_mm: float
    price: float
    bought: int
    break_even: float
    break_even_low: float
    break_even_high: float
    saving_without: float
    saving_with: float
    proved: bool
    pays: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyFigure:
    """A price or weight that the study rests on."""

    name: str
    value: float
    unit: str
    source: str  # given, or engineering prior
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LineUpResult:
    """bound: no line-up costs less; gap: share of the best one's cost that this leaves open.

    left_out: jobs that could not be used, and why. stopped: it was cancelled or ran out of time; what it holds is what
    was found by then, and saving and offers may be missing.
    """

    shop_revision: int
    window_h: float
    jobs: int
    copies: int
    left_out: tuple[str, ...]
    unprintable: tuple[str, ...]
    today: LineUpAnswer
    best: LineUpAnswer
    bound: float
    gap: float
    proved: bool
    method: StudyMethod
    saving: Saving | None
    deciding: tuple[Deciding, ...]
    offers: tuple[OfferWorth, ...]
    figures: tuple[StudyFigure, ...]
    sentences: tuple[str, ...]
    stopped: bool = False
    model_version: str = ""
