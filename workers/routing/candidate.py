"""Candidates read out of the arrays: their scores, their figures, and what a good part costs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from workers.model.job import JobSpec, Limits
from workers.model.routing import Candidate, FitPrediction, Grounds, Scores, TimeSplit
from workers.process import fit, time
from workers.routing.doubt import Doubt
from workers.routing.pairing import Pairing
from workers.routing.score import ScoreBlock

Index = NDArray[np.intp]

# A clog stops the print at a place spread evenly over its volume: half of it is wasted on average.
WASTED_BY_CLOG = 0.5


def make_candidates(
    block: ScoreBlock, specs: Sequence[JobSpec], places: Index, count: Index, sure: Doubt | None = None
) -> list[list[Candidate]]:
    """Everything a routing says of each job's candidates at ``places`` (J, n), the first ``count`` (J,) of them.

    A place is pairing * B + bead. All are read out of the arrays in one go.
    """
    if places.size == 0:
        return [[] for _ in specs]
    p, b = np.divmod(places, block.table.shape[1])
    rows, pairings = np.stack(_columns(block, p, b), axis=-1).tolist(), p.tolist()
    fits, grounds = _fits(block, specs, block.table.fit_class_of[p, b]), block.table.beliefs.grounds
    ranges = _ranges(sure, p.shape)
    return [
        [
            _candidate(
                block.table.pairings[pairings[j][i]],
                spec,
                rows[j][i],
                fits[j][i],
                grounds[pairings[j][i]],
                ranges[j][i],
            )
            for i in range(count[j])
        ]
        for j, spec in enumerate(specs)
    ]


Range = tuple[Scores | None, Scores | None, float | None]


def _ranges(sure: Doubt | None, shape: tuple[int, ...]) -> list[list[Range]]:
    """Lower and upper scores and the chance to be the best, of each candidate."""
    if sure is None:
        return [[(None, None, None)] * shape[1]] * shape[0]
    return [
        [(_scores(low), _scores(high), best) for low, high, best in zip(*job, strict=True)]
        for job in zip(sure.low.tolist(), sure.high.tolist(), sure.best.tolist(), strict=True)
    ]


def _scores(four: Sequence[float]) -> Scores:
    detail, fit, clog, time = four
    return Scores(detail=detail, fit=fit, clog=clog, time=time)


def _columns(block: ScoreBlock, p: Index, b: Index) -> tuple[NDArray[np.float64], ...]:
    table, ln, j = block.table, block.ln, np.arange(len(p))[:, None]
    return (
        np.exp(ln.detail[j, table.width_of[p, b]] + ln.steps[j, table.height_of[p, b]]),
        np.exp(ln.fit[j, table.fit_class_of[p, b]]),
        np.exp(ln.clog[j, p]),
        np.exp(ln.time[j, p, b]),
        block.utility[j, p, b],
        block.risk[j, p],
        block.seconds[j, p, b] / 3600.0,
        block.volume_mm3[j, p] / 1000.0,
        table.width[p, b],
        table.height[p, b],
    )


def _candidate(
    pairing: Pairing,
    spec: JobSpec,
    row: Sequence[float],
    fits: tuple[FitPrediction, ...],
    grounds: Grounds,
    sure: Range,
) -> Candidate:
    detail, fit, clog, pace, utility, risk, print_h, volume_cm3, width, height = row
    good = (1.0 - risk) * fit * grounds.sound_share
    setup_h = pairing.setup_s / 3600.0 / spec.quantity
    grams = volume_cm3 * pairing.material.density_g_cm3
    spent = 1.0 - WASTED_BY_CLOG * risk  # of one attempt, on average
    hours_per_good = (print_h * spent + setup_h) / good
    grams_per_good = grams * spent / good
    return Candidate(
        machine_id=pairing.machine.id,
        nozzle_id=pairing.nozzle.id,
        material_id=pairing.material.id,
        bore_mm=pairing.nozzle.bore_mm,
        bead_width_mm=width,
        layer_height_mm=height,
        calibrated=pairing.calibration is not None,
        scores=Scores(detail=detail, fit=fit, clog=clog, time=pace),
        utility=utility,
        print_h=print_h,
        setup_h=setup_h,
        material_g=grams,
        clog_risk=risk,
        good_share=good,
        hours_per_good=hours_per_good,
        grams_per_good=grams_per_good,
        cost_per_good=hours_per_good * pairing.machine.hourly_cost
        + grams_per_good / 1000.0 * pairing.material.price_per_kg,
        volume_cm3=volume_cm3,
        fits=fits,
        low=sure[0],
        high=sure[1],
        probability_best=sure[2],
        grounds=grounds,
    )


def _fits(block: ScoreBlock, specs: Sequence[JobSpec], classes: Index) -> list[list[tuple[FitPrediction, ...]]]:
    """The predicted sizes of each job at each of its places, whose fit classes are ``classes`` (J, n)."""
    found, (jobs, n) = block.fit_block, classes.shape
    if found is None:
        return [[()] * n] * jobs
    row = np.arange(len(found.limits))[:, None]
    column = np.repeat(classes, np.diff(found.start), axis=0)
    prediction = found.prediction
    figures = (
        prediction.mean,
        prediction.scale,
        prediction.dof,
        found.probability,
        prediction.prior_mean,
    )
    before = fit.prior_scale(prediction.prior_variance[row, column])
    read = np.stack([*(values[row, column] for values in figures), before], axis=-1).tolist()
    return [
        [
            tuple(
                _fit_of(need.name, found.limits[first + f], *read[first + f][i])
                for f, need in enumerate(spec.tolerances)
            )
            for i in range(n)
        ]
        for spec, first in zip(specs, found.start, strict=False)
    ]


def _fit_of(
    name: str,
    limits: Limits,
    mean: float,
    scale: float,
    dof: float,
    probability: float,
    prior_mean: float,
    prior_scale: float,
) -> FitPrediction:
    return FitPrediction(
        name=name,
        lower_mm=limits.lower_mm,
        upper_mm=limits.upper_mm,
        mean_mm=mean,
        scale_mm=scale,
        dof=dof,
        probability=probability,
        cpk=min(limits.upper_mm - mean, mean - limits.lower_mm) / (3.0 * scale),
        prior_mean_mm=prior_mean,
        prior_scale_mm=prior_scale,
    )


def time_splits(block: ScoreBlock, specs: Sequence[JobSpec], chosen: Index) -> list[TimeSplit | None]:
    """Hours of one copy of each job's choice by what sets the pace, the setup shared over the copies."""
    p, b = np.divmod(np.maximum(chosen, 0), block.table.shape[1])
    split = time.time_splits(block.slabs, block.shells, block.infill, block.table.motion, p, b)
    setup = block.table.setup_s[p] / 3600.0 / np.array([spec.quantity for spec in specs])
    factor = block.table.beliefs.time_factor[p]
    parts = [part * factor for part in (split.melt_h, split.motion_h, split.cooling_h, split.travel_h)]
    shares = np.stack([*parts, setup], axis=-1).tolist()
    return [_time_split(*shares[j]) if at >= 0 else None for j, at in enumerate(chosen)]


def _time_split(melt: float, motion: float, cooling: float, travel: float, setup: float) -> TimeSplit:
    return TimeSplit(melt_h=melt, motion_h=motion, cooling_h=cooling, travel_h=travel, setup_h=setup)
