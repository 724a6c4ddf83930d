"""Scores every candidate of a group of jobs in one vectorised pass. Pure; memory is bounded by the caller.

Shapes: J jobs, P pairings, B beads, U distinct bead widths, C fit classes, F toleranced sizes over all jobs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from workers.learning.evidence import chance_of_event
from workers.model.job import Emphasis, JobSpec, Limits, PlaceNeed
from workers.process import detail, fit
from workers.process.allowance import row_of
from workers.process.limits import limits_of
from workers.process.slabs import SlabBatch, compress_profiles
from workers.process.time import deposited_mm3, print_seconds
from workers.routing.gates import allowed_bead_width
from workers.routing.table import PairingTable

Array = NDArray[np.float64]

TIE = 1.0 + 1e-3  # a detail exactly one bead wide is laid


@dataclass(frozen=True, slots=True, kw_only=True)
class FitBlock:
    """Toleranced sizes of all jobs: rows of job j are ``start[j]:start[j + 1]``."""

    start: tuple[int, ...]
    limits: tuple[Limits, ...]
    lower_mm: Array
    upper_mm: Array
    row: NDArray[np.intp]  # of process/allowance.py, by kind and axis
    prediction: fit.Prediction
    probability: Array  # (F, C)


@dataclass(frozen=True, slots=True)
class LnScores:
    """ln of each score, as small as it can be told: detail (J, U) of features and steps (J, H) of layer
    steps, which add up to the detail score; fit (J, C); clog (J, P); time (J, P, B). detail_wider, detail_narrower
    (J, U): were the bead laid so much wider or narrower than drawn as it may be."""

    detail: Array
    detail_wider: Array
    detail_narrower: Array
    steps: Array
    fit: Array
    clog: Array
    time: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreBlock:
    """What decide.py chooses from.

    weights (J, 4) in the order detail, fit, clog, time; risk (J, P); volume_mm3 (J, P) extruded for one copy;
    seconds (J, P, B) for one copy without setup; feasible (J, P, B); whole_utility (J, P, B) of every
    candidate; utility (J, P, B), -inf where not feasible.
    """

    table: PairingTable
    weights: Array
    slabs: SlabBatch
    shells: Array
    infill: Array
    ln: LnScores
    risk: Array
    volume_mm3: Array
    seconds: Array
    fits_in: NDArray[np.bool_]
    in_stock: NDArray[np.bool_]
    feasible: NDArray[np.bool_]
    whole_utility: Array
    utility: Array
    fit_block: FitBlock | None


def weights_of(emphasis: Emphasis) -> tuple[float, float, float, float]:
    """Weights that sum to 1."""
    total = emphasis.detail + emphasis.fit + emphasis.clog + emphasis.time
    return emphasis.detail / total, emphasis.fit / total, emphasis.clog / total, emphasis.time / total


def score(table: PairingTable, specs: Sequence[JobSpec], default: Emphasis) -> ScoreBlock:
    """The four scores, the gates and the utility of every candidate of every job."""
    weights = np.array([weights_of(spec.emphasis or default) for spec in specs])
    shells = np.array([spec.shells for spec in specs], dtype=np.float64)
    infill = np.array([spec.infill for spec in specs], dtype=np.float64)
    slabs = compress_profiles([spec.part() for spec in specs], shells, infill)
    fit_block = _fit_block(table, specs)
    volume = deposited_mm3(slabs, shells, infill, table.bore)
    risk = chance_of_event(table.clog_a, table.clog_b, volume / 1000.0)
    seconds = print_seconds(slabs, shells, infill, table.motion)
    if table.time_learnt:
        seconds *= table.beliefs.time_factor[:, None]
    fits_in, in_stock = _fits_in(table, specs), _in_stock(table, volume)
    feasible = _feasible(table, specs, fits_in & in_stock)
    ln = LnScores(
        *_ln_detail(table, specs),
        np.log([detail.step_scores(spec.part(), table.heights) for spec in specs]),
        _ln_fit(fit_block, len(specs), table.fit_classes.count),
        np.log1p(-risk),
        _ln_time(table, specs, seconds, feasible),
    )
    whole = _utility(table, weights, ln)
    return ScoreBlock(
        table=table,
        weights=weights,
        slabs=slabs,
        shells=shells,
        infill=infill,
        ln=ln,
        risk=risk,
        volume_mm3=volume,
        seconds=seconds,
        fits_in=fits_in,
        in_stock=in_stock,
        feasible=feasible,
        whole_utility=whole,
        utility=np.where(feasible, whole, -np.inf),
        fit_block=fit_block,
    )


def _ln_detail(table: PairingTable, specs: Sequence[JobSpec]) -> tuple[Array, Array, Array]:
    """ln of the share of features kept (J, U): as drawn, laid wider, laid narrower."""
    logs = np.log([detail.detail_scores(spec.part(), table.widths_laid) for spec in specs])
    drawn = len(table.widths)
    return logs[:, :drawn], logs[:, drawn : 2 * drawn], logs[:, 2 * drawn :]


def _fit_block(table: PairingTable, specs: Sequence[JobSpec]) -> FitBlock | None:
    needs = [need for spec in specs for need in spec.tolerances]
    if not needs:
        return None
    limits = tuple(limits_of(need) for need in needs)
    kind = np.array([fit.KIND_CODES[need.kind] for need in needs])
    axis = np.array([fit.AXIS_CODES[need.axis] for need in needs])
    prediction = fit.predict(
        kind,
        axis,
        np.array([need.nominal_mm for need in needs]),
        np.array([need.facets or 0 for need in needs]),
        table.fit_classes,
    )
    lower, upper = np.array([one.lower_mm for one in limits]), np.array([one.upper_mm for one in limits])
    start = tuple(np.cumsum([0, *(len(spec.tolerances) for spec in specs)]).tolist())
    return FitBlock(
        start=start,
        limits=limits,
        lower_mm=lower,
        upper_mm=upper,
        row=row_of(kind, axis),
        prediction=prediction,
        probability=fit.conformance(prediction, lower, upper),
    )


def _ln_fit(block: FitBlock | None, jobs: int, classes: int) -> Array:
    """ln of the chance that every toleranced size of the job conforms (sizes taken as independent)."""
    if block is None:
        return np.zeros((jobs, classes))
    logs = np.log(block.probability)
    # summed job by job: a running sum over all jobs would round differently in another batch
    return np.array([logs[first:last].sum(axis=0) for first, last in pairwise(block.start)])


def _fits_in(table: PairingTable, specs: Sequence[JobSpec]) -> NDArray[np.bool_]:
    """(J, P): the part stands in the machine, turned by a quarter about z where that helps."""
    part = np.array([(p.extent_x_mm, p.extent_y_mm, p.extent_z_mm) for p in (spec.part() for spec in specs)])
    room = np.array([(m.build_x_mm, m.build_y_mm, m.build_z_mm) for m in table.machines]).reshape(-1, 3)
    part[:, :2].sort(axis=1)
    room[:, :2].sort(axis=1)
    inside = np.all(part[:, None, :] <= room[None, :, :], axis=2)
    result: NDArray[np.bool_] = inside[:, table.machine_of]
    return result


def _in_stock(table: PairingTable, volume_mm3: Array) -> NDArray[np.bool_]:
    """(J, P): the fullest spool of the material holds one copy."""
    density = np.array([m.density_g_cm3 for m in table.materials])
    room_mm3 = table.spool_g / density * 1000.0
    return volume_mm3 <= room_mm3[table.material_of]  # type: ignore[no-any-return]


def _feasible(table: PairingTable, specs: Sequence[JobSpec], pairing_ok: NDArray[np.bool_]) -> NDArray[np.bool_]:
    widest = np.array([allowed_bead_width(spec) for spec in specs]) * TIE
    bead_ok = table.width[None, :, :] <= widest[:, None, None]
    loaded = np.array([spec.use.load_bearing for spec in specs])
    if loaded.any():
        bead_ok &= table.load_ok[None, :, :] | ~loaded[:, None, None]
    for j, spec in enumerate(specs):
        if spec.place is not None:
            bead_ok[j] &= named_beads(table, spec.place)
    bead_ok &= (pairing_ok & table.passes)[:, :, None]
    return bead_ok


def named_beads(table: PairingTable, place: PlaceNeed) -> NDArray[np.bool_]:
    """(P, B): the bead of each pairing nearest to the one that the job names; all where it names none."""
    width, height = place.bead_width_mm, place.layer_height_mm
    if width is None or height is None:
        return np.ones(table.width.shape, dtype=bool)
    distance = np.hypot(table.width - width, table.height - height)
    return np.asarray(np.arange(distance.shape[1]) == distance.argmin(axis=1)[:, None])


def _ln_time(table: PairingTable, specs: Sequence[JobSpec], seconds: Array, feasible: NDArray[np.bool_]) -> Array:
    """ln(fastest feasible / this), setup shared out over the copies."""
    quantity = np.array([spec.quantity for spec in specs], dtype=np.float64)
    total = seconds + (table.setup_s / quantity[:, None])[:, :, None]
    fastest = np.min(total, axis=(1, 2), where=feasible, initial=np.inf)
    fastest = np.where(np.isfinite(fastest), fastest, 1.0)
    np.divide(fastest[:, None, None], total, out=total)
    return np.log(total, out=total)


def _utility(table: PairingTable, weights: Array, ln: LnScores) -> Array:
    """Sum of weight * ln(score); weights go onto the small arrays before they are spread out."""
    utility = ln.time * weights[:, 3, None, None]
    utility += (ln.detail * weights[:, 0:1])[:, table.width_of]
    utility += (ln.steps * weights[:, 0:1])[:, table.height_of]
    utility += (ln.fit * weights[:, 1:2])[:, table.fit_class_of]
    utility += (ln.clog * weights[:, 2:3])[:, :, None]
    return utility
