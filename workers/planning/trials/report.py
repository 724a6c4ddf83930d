"""What an analysis comes to, as data. Lengths in mm, times as ratios, shares from 0 to 1; intervals say their level."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from workers.model.trial import MeasureKind
from workers.planning.trials.verdict import Answer


class Finding(StrEnum):
    """Of two bores. alike: the whole interval is smaller than what matters."""

    DIFFERS = "differs"
    ALIKE = "alike"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceRow:
    source: str
    squares: float
    dof: int
    mean_square: float
    f: float | None
    p: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BoreFigure:
    """One bore in one material. value: mean error in mm, geometric mean of the hours, or share of good runs, with its
    95 % interval (None: too few runs). good: of yes-or-no, how many runs were good."""

    bore_mm: float
    material_id: str
    n: int
    value: float
    low: float | None
    high: float | None
    good: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PairFigure:
    """other_mm against bore_mm. material_id None: all materials together. difference: mm; of hours, the ratio minus 1;
    of shares, their difference. low, high: the interval that goes with 5 % for all pairs together. p_corrected: Holm,
    over the pairs of this measure. more_runs: of each bore, until a difference that matters would be seen with 80 %."""

    bore_mm: float
    other_mm: float
    material_id: str | None
    difference: float
    low: float | None
    high: float | None
    p: float
    p_corrected: float
    finding: Finding
    more_runs: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class UseVerdict:
    """Whether a bore holds a use in a material. more_runs: of this bore, until it would be settled."""

    measure: str
    use: str
    bore_mm: float
    material_id: str
    n: int
    answer: Answer
    more_runs: int | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureReport:
    """p_bore: effect of the bore, p_interaction: of material x bore; *_corrected: Holm, over all measures that vary.

    sd, dof: scatter of equal runs. None: cannot be told from these results.
    """

    measure: str
    kind: MeasureKind
    use: str
    unit: str
    n: int
    bores: tuple[BoreFigure, ...]
    pairs: tuple[PairFigure, ...]
    verdicts: tuple[UseVerdict, ...]
    table: tuple[SourceRow, ...] = ()
    sd: float | None = None
    dof: int | None = None
    p_bore: float | None = None
    p_bore_corrected: float | None = None
    p_interaction: float | None = None
    p_interaction_corrected: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialReport:
    """runs: planned; results: in. sentences: the answers in words; methods: how they were found."""

    trial_id: str
    version: int
    runs: int
    results: int
    sentences: tuple[str, ...]
    measures: tuple[MeasureReport, ...]
    methods: tuple[str, ...]
