"""Candidates read out of the arrays: their scores, their figures, and what a good part costs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from workers.model.job import JobSpec
from workers.model.routing import Candidate, FitPrediction, Scores, TimeSplit
from workers.process import time
from workers.routing.score import ScoreBlock

Index = NDArray[np.intp]

# A clog stops the print at a place spread evenly over its volume: half of it is wasted on average.
WASTED_BY_CLOG = 0.5


def make_candidates(block: ScoreBlock, j: int, spec: JobSpec, ranking: Sequence[tuple[int, int]]) -> list[Candidate]:
    """Everything a routing says of job j's candidates (pairing, bead), read in one go."""
    if not ranking:
        return []
    p, b = (np.array(axis, dtype=np.intp) for axis in zip(*ranking, strict=True))
    columns = zip(*(values.tolist() for values in _columns(block, j, p, b)), strict=True)
    fits = _fits(block, j, spec, block.table.fit_class_of[p, b])
    return [
        _candidate(block, pairing, spec, row, fit)
        for (pairing, _), row, fit in zip(ranking, columns, fits, strict=True)
    ]


def _columns(block: ScoreBlock, j: int, p: Index, b: Index) -> tuple[NDArray[np.float64], ...]:
    table, ln = block.table, block.ln
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
    block: ScoreBlock, p: int, spec: JobSpec, row: tuple[float, ...], fits: tuple[FitPrediction, ...]
) -> Candidate:
    detail, fit, clog, pace, utility, risk, print_h, volume_cm3, width, height = row
    pairing = block.table.pairings[p]
    good = (1.0 - risk) * fit
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
        fits=fits,
    )


def _fits(block: ScoreBlock, j: int, spec: JobSpec, classes: Index) -> list[tuple[FitPrediction, ...]]:
    """The predicted sizes of job j for each of these fit classes."""
    found = block.fit_block
    if found is None or not spec.tolerances:
        return [()] * len(classes)
    rows = slice(found.start[j], found.start[j + 1])
    prediction = found.prediction
    read = [
        values[rows, classes].T.tolist()
        for values in (prediction.mean, prediction.scale, prediction.dof, found.probability)
    ]
    names = [need.name for need in spec.tolerances]
    limits = found.limits[rows]
    return [
        tuple(
            FitPrediction(
                name=name,
                lower_mm=limit.lower_mm,
                upper_mm=limit.upper_mm,
                mean_mm=mean,
                scale_mm=scale,
                dof=dof,
                probability=probability,
                cpk=min(limit.upper_mm - mean, mean - limit.lower_mm) / (3.0 * scale),
            )
            for name, limit, mean, scale, dof, probability in zip(names, limits, *one, strict=True)
        )
        for one in zip(*read, strict=True)
    ]


def time_split(block: ScoreBlock, j: int, spec: JobSpec, p: int, b: int) -> TimeSplit:
    """Hours of one copy by what sets the pace, the setup shared over the copies."""
    split = time.time_split(block.slabs, block.shells, block.infill, block.table.motion, j, p, b)
    return TimeSplit(
        melt_h=split.melt_h,
        motion_h=split.motion_h,
        cooling_h=split.cooling_h,
        travel_h=split.travel_h,
        setup_h=block.table.pairings[p].setup_s / 3600.0 / spec.quantity,
    )
