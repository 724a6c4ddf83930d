"""Detail: what share of a part's fine features a bead can lay.

From the summary's granulometry curves (Matheron 1975; Serra 1982) where it has them, otherwise from its
smallest rib, slot, stroke and corner. Corner rounding, which every bead does, does not count: only whole
features lost (ribs, strokes, points) or filled (slots, gaps) do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from operator import add

import numpy as np
from numpy.typing import ArrayLike, NDArray

from workers.learning.arrays import Array, floats
from workers.model.part import DetailCurves, GeometrySummary, SlopeDistribution, SmallestFeatures

FINE_MM = 2.0  # features wider than this are not detail
FLOOR = 1e-3  # of the score (ours: a logarithm must stay finite)
# Engineering priors.
NEGLIGIBLE = 0.002  # share of the volume that counts as much as nothing: keeps a speck from ruling
STEP_SHARE = 0.1  # a rise between two tabulated widths above this share of the whole is a step
ONE_BEAD_SCORE = 0.3  # a feature exactly one bead wide comes out, poorly; two beads are sound (common practice)
STEP_SCALE_MM = 0.5  # mean cusp height that would take all; steps alone never take more than half
CORNER_LOSS = 0.3  # of the score, for a sharp corner rounded off by a bead

_TIE_MM = 1e-7  # rounding (ours)


@dataclass(frozen=True, slots=True)
class LostFeature:
    """A feature that a bead cannot lay (or fills): its name, and its size in mm."""

    name: str
    size_mm: float


def detail_scores(summary: GeometrySummary, width_mm: Array) -> Array:
    """Score (U,) in (0, 1] of beads width_mm (U,): retained share of the features finer than 2 mm."""
    if summary.curves is not None:
        return _curve_scores(summary.curves, width_mm)
    return _smallest_scores(summary.smallest, width_mm)


def step_scores(summary: GeometrySummary, height_mm: Array) -> Array:
    """Score (H,) in (0, 1] of layer heights height_mm (H,): what the layer steps leave of sloping faces.

    1 - mean cusp height / STEP_SCALE_MM, down to a half; 1 where the summary has no slopes.
    """
    if summary.slopes is None:
        return np.ones(np.shape(height_mm))
    return np.maximum(1.0 - mean_cusp_mm(height_mm, summary.slopes) / STEP_SCALE_MM, 0.5)


def lost_share(curves: DetailCurves, width_mm: Array) -> Array:
    """Fraction (U,) of the part's volume in features lost or filled by beads width_mm (U,).

    At a tabulated width the tabulated value. Between two, a straight line; but where the curve steps (a
    rib or slot of one width goes all at once) the higher value, so a feature that may be lost counts as
    lost. Below the first width the first value, above the last the last.
    """
    return np.interp(width_mm, *_stepped(curves))


def critical_ok(size_mm: ArrayLike, width_mm: ArrayLike) -> NDArray[np.bool_]:
    """Whether a bead lays a detail of that size: it is not wider. Broadcasts."""
    return floats(width_mm) <= floats(size_mm) + _TIE_MM


def lost_features(summary: GeometrySummary, width_mm: float) -> tuple[LostFeature, ...]:
    """The known features that a bead of that width cannot lay, smallest first, each once."""
    named = [LostFeature(f.name, f.nominal_mm) for f in summary.features]
    known = [*named, *_smallest_named(summary.smallest, named)]
    lost = [f for f in known if not critical_ok(f.size_mm, width_mm)]
    return tuple(sorted(lost, key=lambda f: (f.size_mm, f.name)))


def cusp_height_mm(layer_height_mm: ArrayLike, normal_z: ArrayLike) -> Array:
    """Height of the steps on a face: layer height times |n_z|; a level face has none (Dolenc & Makela 1994)."""
    steepness = np.abs(floats(normal_z))
    return np.where(steepness >= 1.0, 0.0, floats(layer_height_mm) * steepness)


def mean_cusp_mm(layer_height_mm: ArrayLike, slopes: SlopeDistribution) -> Array:
    """Area-weighted mean cusp height over all faces. The flattest bin counts as level, so has none."""
    share = np.array(slopes.area_share)
    middles = (np.arange(len(share)) + 0.5) / len(share)
    middles[-1] = 0.0
    return floats(layer_height_mm) * float(share @ middles)


def roughness_um(cusp_mm: ArrayLike) -> Array:
    """Arithmetic mean roughness Ra, um, of steps of that cusp height: a quarter of it (triangular steps)."""
    return floats(cusp_mm) * 250.0


def _curve_scores(curves: DetailCurves, width_mm: Array) -> Array:
    widths, loss = _stepped(curves)
    retained = 1.0 - np.interp(width_mm, widths, loss) / (float(np.interp(FINE_MM, widths, loss)) + NEGLIGIBLE)
    return np.maximum(retained, FLOOR)


def _stepped(curves: DetailCurves) -> tuple[list[float], list[float]]:
    """The curve of lost and filled features as a polyline that rises at once where the table steps."""
    widths, loss = list(curves.bead_width_mm), list(map(add, curves.feature_loss, curves.feature_gain))
    step = STEP_SHARE * loss[-1]
    for i in range(len(loss) - 1, 0, -1):
        if loss[i] - loss[i - 1] > step:
            widths.insert(i, widths[i - 1] + _TIE_MM)
            loss.insert(i, loss[i])
    return widths, loss


def _smallest_scores(smallest: SmallestFeatures, width_mm: Array) -> Array:
    """The weakest of the known features decides; rounding of a tight corner takes off a little beside it."""
    sizes = [s for s in (smallest.rib_mm, smallest.slot_mm, smallest.stroke_mm) if s is not None and s < FINE_MM]
    score = _beads_score(min(sizes) / width_mm) if sizes else np.ones(np.shape(width_mm))
    radius = smallest.corner_radius_mm
    if radius is not None and radius < FINE_MM / 2.0:
        score *= 1.0 - CORNER_LOSS * np.maximum(1.0 - 2.0 * radius / width_mm, 0.0)
    return np.maximum(score, FLOOR)


def _beads_score(beads: Array) -> Array:
    """Score of a feature that many beads wide: sound from two, poor at one, lost below."""
    missing = np.clip(2.0 - beads, 0.0, 1.0)
    laid = 1.0 - (1.0 - ONE_BEAD_SCORE) * missing * missing
    return np.where(beads < 1.0 - _TIE_MM, FLOOR, laid)


def _smallest_named(smallest: SmallestFeatures, named: Sequence[LostFeature]) -> list[LostFeature]:
    """The smallest rib, slot and stroke, unless a named feature of the same size already says it."""
    sizes = (("rib", smallest.rib_mm), ("slot", smallest.slot_mm), ("stroke", smallest.stroke_mm))
    told = {round(f.size_mm, 3) for f in named}
    return [
        LostFeature(f"smallest {kind}", size) for kind, size in sizes if size is not None and round(size, 3) not in told
    ]
