"""A trial before it is printed: what it takes, and how small a difference it can show. Pure."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from workers.learning.arrays import Array
from workers.model.trial import Measure, TrialPlan, TrialRun
from workers.planning.trials.design import pair_variances
from workers.planning.trials.exact import lowest_telling_share
from workers.planning.trials.measures import is_binary, scale_of
from workers.planning.trials.power import ALPHA, POWERS, least_difference

GOOD_SHARE = 0.9  # engineering prior: of a yes-or-no measure at the bore that does well
MOST_EXACT = 24  # runs of a bore worked out exactly; more show a smaller difference than is said


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineShare:
    machine_id: str
    runs: int
    print_h: float
    setup_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MaterialShare:
    material_id: str
    runs: int
    material_g: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartShare:
    """part_id None: the gauge piece, or the one part of the trial."""

    part_id: str | None
    runs: int
    print_h: float
    material_g: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """Hours and grams of all runs. elapsed_h: of the machine that has most to do, working round the clock."""

    runs: int
    print_h: float
    setup_h: float
    material_g: float
    elapsed_h: float
    machines: tuple[MachineShare, ...]
    materials: tuple[MaterialShare, ...]
    parts: tuple[PartShare, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Shows:
    """The smallest difference between two bores that the trial shows with 80 and 90 % (the pair it tells worst, all
    pairs corrected for). Sizes in mm, time as a share of the hours, yes-or-no as a share of the runs.

    spread: scatter of equal runs that this rests on; None for yes-or-no. None: no difference is shown.
    """

    measure: str
    unit: str
    spread: float | None
    at_80: float | None
    at_90: float | None
    matters: float | None
    enough: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Power:
    """dof: what is left to tell the scatter from. alpha: of each pair of bores, so that all together keep 5 %.
    runs_per_bore: of one part, where there are several: each is analysed by itself, and all are laid out alike."""

    dof: int
    alpha: float
    runs_per_bore: int
    measures: tuple[Shows, ...]


def estimate_of(runs: Sequence[TrialRun]) -> Estimate:
    by_machine: dict[str, list[TrialRun]] = defaultdict(list)
    by_material: dict[str, list[TrialRun]] = defaultdict(list)
    by_part: dict[str | None, list[TrialRun]] = defaultdict(list)
    for run in runs:
        by_machine[run.machine_id].append(run)
        by_material[run.material_id].append(run)
        by_part[run.part_id].append(run)
    return Estimate(
        runs=len(runs),
        print_h=sum(run.print_h for run in runs),
        setup_h=sum(run.setup_h for run in runs),
        material_g=sum(run.material_g for run in runs),
        elapsed_h=max((sum(run.print_h + run.setup_h for run in own) for own in by_machine.values()), default=0.0),
        machines=tuple(
            MachineShare(
                machine_id=machine_id,
                runs=len(own),
                print_h=sum(run.print_h for run in own),
                setup_h=sum(run.setup_h for run in own),
            )
            for machine_id, own in sorted(by_machine.items())
        ),
        materials=tuple(
            MaterialShare(material_id=material_id, runs=len(own), material_g=sum(run.material_g for run in own))
            for material_id, own in sorted(by_material.items())
        ),
        parts=tuple(
            PartShare(
                part_id=part_id,
                runs=len(own),
                print_h=sum(run.print_h for run in own),
                material_g=sum(run.material_g for run in own),
            )
            for part_id, own in sorted(by_part.items(), key=lambda pair: pair[0] or "")
        ),
    )


def power_of_trial(plan: TrialPlan, runs: Sequence[TrialRun]) -> Power:
    runs = [run for run in runs if run.part_id == runs[0].part_id]
    counts = _counts(plan, runs)
    pairs = list(combinations(range(len(plan.bores_mm)), 2))
    alpha = ALPHA / max(1, len(pairs))
    dof = _dof(plan, runs)
    worst = max(pair_variances(counts).values())
    fewest = int(counts.sum(axis=1).min())
    shows = tuple(_shows(one, worst, dof, alpha, fewest) for one in plan.measures)
    return Power(dof=dof, alpha=alpha, runs_per_bore=fewest, measures=shows)


def _shows(measure: Measure, worst: float, dof: int, alpha: float, fewest: int) -> Shows:
    if is_binary(measure):
        least = [_share_shown(min(fewest, MOST_EXACT), alpha, power) for power in POWERS]
        return Shows(
            measure=measure.name,
            unit="share",
            spread=None,
            at_80=least[0],
            at_90=least[1],
            matters=None,
            enough=least[0] is not None,
        )
    scale, is_time = scale_of(measure), measure.kind.value == "time"
    found = [least_difference(scale.spread * math.sqrt(worst), dof, alpha, power) for power in POWERS]
    shown = [None if one is None else math.expm1(one) if is_time else one for one in found]
    return Shows(
        measure=measure.name,
        unit="share of the hours" if is_time else "mm",
        spread=scale.spread,
        at_80=shown[0],
        at_90=shown[1],
        matters=scale.matters,
        enough=shown[0] is not None and shown[0] <= scale.matters,
    )


def _share_shown(runs: int, alpha: float, power: float) -> float | None:
    lowest = lowest_telling_share(runs, GOOD_SHARE, alpha, power)
    return None if lowest is None else GOOD_SHARE - lowest


def _counts(plan: TrialPlan, runs: Sequence[TrialRun]) -> Array:
    blocks = sorted({run.block for run in runs})
    counts = np.zeros((len(plan.bores_mm), len(blocks)))
    for run in runs:
        counts[plan.bores_mm.index(run.bore_mm), blocks.index(run.block)] += 1.0
    return counts


def _dof(plan: TrialPlan, runs: Sequence[TrialRun]) -> int:
    """Runs less what blocks, bores and their crossing with materials take, as the analysis will count them."""
    columns = [[float(run.block == block) for run in runs] for block in sorted({run.block for run in runs})]
    cells = sorted({(run.material_id, run.bore_mm) for run in runs})
    columns += [[float((run.material_id, run.bore_mm) == cell) for run in runs] for cell in cells]
    return len(runs) - int(np.linalg.matrix_rank(np.array(columns)))
