"""Fit: the size that a toleranced feature will have, and the chance that it conforms.

Size = nominal + bias, with a Student t spread. The bias is a prior (bead, bend, shrinkage), corrected by
what was measured on the pairing, then the facets of the model and the sag of holes that lie on their side.
No undersize in mm is published for extruded holes, so the prior's constants are engineering priors. They
reproduce common practice (no source): a loose sliding fit (0.10 to 0.5 mm clearance wanted, hole drawn
0.3 mm over its pin) holds at a 0.4 and a 0.5 mm bore and fails at 0.6 for holes of 4 to 7 mm.
Not modelled: form errors, supports, moisture (polyamide swells 0.5 to 1.5 %: a note for the reader).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workers.learning.arrays import Array
from workers.learning.evidence import StudentT
from workers.model.part import Axis, FeatureKind
from workers.process.allowance import PRIOR_WEIGHT, Learnt, Measured, learnt_sizes, row_of
from workers.process.student import student_interval

Codes = NDArray[np.intp]

KIND_CODES = {kind: code for code, kind in enumerate(FeatureKind)}
AXIS_CODES = {axis: code for code, axis in enumerate(Axis)}

# Engineering priors, all of them.
SWELL_PER_MM = 0.485  # material shifts into a hole by SWELL * w^POWER, w in mm
SWELL_POWER = 2.5
BORE_SPREAD = 1.1  # a bead drawn narrower than 1.1 bores still comes out about that wide
SMALL_HOLE_MM = 0.5  # small holes close up more: factor 1 + SMALL_HOLE_MM / D
OUTSIDE_SHARE = 0.5  # outside sizes grow by this share of what holes lose
SD_MM, SD_PER_WIDTH = 0.010, 0.033  # spread of a size: SD + SD_PER_WIDTH * w
SHRINKAGE_SD = 0.4  # uncertainty of a handbook shrinkage, as a share of it
SAG_PER_WIDTH = 0.25  # a hole on its side loses this share of the bead width at its crown
SIDE_SPREAD = 2.0  # and its spread, like every size across layers, is so many times wider
GAUGE_MM = 10.0  # size that a calibration's allowances are taken to stand for

CHANCE_MIN = 1e-6  # ours: a logarithm must stay finite


def _by_kind(values: dict[FeatureKind, float], default: float = 0.0) -> Array:
    return np.array([values.get(kind, default) for kind in FeatureKind])


_SWELL = _by_kind({FeatureKind.HOLE: -1.0, FeatureKind.FLAT_HOLE: -1.0, FeatureKind.SLOT: -1.0}, default=OUTSIDE_SHARE)
_ROUND_HOLE = _by_kind({FeatureKind.HOLE: 1.0})
_ROUND = _by_kind({FeatureKind.HOLE: 1.0, FeatureKind.BOSS: 1.0})
_INSIDE = _SWELL < 0.0
_SAG = np.array([{Axis.VERTICAL: 0.0, Axis.HORIZONTAL: 1.0, Axis.INCLINED: 0.5}[axis] for axis in Axis])


@dataclass(frozen=True, slots=True)
class FitParameters:
    """Fit classes, arrays (C,): what tells one class of candidates from another; nan where not calibrated.

    hole_allowance_mm, boss_allowance_mm: measured minus nominal; size_sd_mm: spread of the sizes over
    ``measured`` features; calibrated_width_mm: bead they were measured with (None: the class's own); trust: what
    they still count for (None: all). learnt: all this worked out already, outcomes included, for more classes (C,) that
    differ in it alone: base_of (C,) says which of these arrays each belongs to.
    """

    bore_mm: Array
    bead_width_mm: Array
    shrinkage_percent: Array
    hole_allowance_mm: Array
    boss_allowance_mm: Array
    size_sd_mm: Array
    measured: Array
    calibrated_width_mm: Array | None = None
    trust: Array | None = None
    learnt: Learnt | None = None
    base_of: Codes | None = None

    @property
    def count(self) -> int:
        return len(self.bore_mm if self.base_of is None else self.base_of)


@dataclass(frozen=True, slots=True)
class Prediction(StudentT):
    """Of the size, mm; arrays (F, C). prior_mean: before anything was measured; prior_variance: of single sizes, then.

    weight: how many observations the mean is worth.
    """

    prior_mean: Array
    prior_variance: Array
    weight: Array


def prior_scale(prior_variance: Array) -> Array:
    """Scale of the prediction before anything was measured, from the prior variance of single sizes."""
    return np.sqrt(prior_variance * (1.0 + 1.0 / PRIOR_WEIGHT))


def predict(kind_code: Codes, axis_code: Codes, nominal_mm: Array, facets: Array, classes: FitParameters) -> Prediction:
    """Predicted size (F, C) of features (F,) printed in each class.

    kind_code, axis_code: from KIND_CODES and AXIS_CODES; facets: 0 for a true round.
    """
    kind, nominal = kind_code[:, None], nominal_mm[:, None]
    sag = _SAG[axis_code][:, None]
    width = spread_width(classes.bead_width_mm, classes.bore_mm)
    bias = size_bias(kind, nominal, classes.bead_width_mm, width, classes.shrinkage_percent)
    crown = SAG_PER_WIDTH * sag * _ROUND_HOLE[kind] * width
    drawn = nominal - facet_loss(nominal, facets[:, None]) * _ROUND_HOLE[kind]
    prior_mean, prior_variance = drawn + bias - crown, _prior_variance(nominal, width, sag, classes)
    if classes.base_of is not None:
        # np.take keeps rows together in memory, indexing would not
        prior_mean, prior_variance = (np.take(part, classes.base_of, axis=1) for part in (prior_mean, prior_variance))
    learnt = classes.learnt or learnt_sizes(surprise(classes))
    row = row_of(kind_code, axis_code)
    mean, variance = learnt.shift[row], learnt.prior_share[row]
    mean += prior_mean
    variance *= prior_variance
    variance += learnt.variance[row]
    return Prediction(
        mean=mean,
        scale=np.sqrt(variance, out=variance),
        dof=learnt.dof[row],
        prior_mean=prior_mean,
        prior_variance=prior_variance,
        weight=learnt.weight[row],
    )


def conformance(prediction: StudentT, lower_mm: Array, upper_mm: Array) -> Array:
    """Chance (F, C) that each feature lies within its limits (F,), clipped to [1e-6, 1]."""
    lower = (lower_mm[:, None] - prediction.mean) / prediction.scale
    upper = (upper_mm[:, None] - prediction.mean) / prediction.scale
    return np.clip(student_interval(lower, upper, prediction.dof), CHANCE_MIN, 1.0)


def cpk(prediction: StudentT, lower_mm: Array, upper_mm: Array) -> Array:
    """Capability index (F, C): distance of the mean from the nearer limit, over three scales."""
    nearer = np.minimum(upper_mm[:, None] - prediction.mean, prediction.mean - lower_mm[:, None])
    return nearer / (3.0 * prediction.scale)


def spread_width(bead_width_mm: Array, bore_mm: Array) -> Array:
    """Width, mm, that counts for size errors: a bead drawn narrower than the bore's flow still spreads."""
    return np.maximum(bead_width_mm, BORE_SPREAD * bore_mm)


def size_bias(
    kind: Codes, nominal_mm: Array, bead_width_mm: Array, spread_mm: Array, shrinkage_percent: Array
) -> Array:
    """Prior bias, mm, of an upright smooth feature. Arguments broadcast.

    Bead: SWELL w^2.5, more in small round holes; bend: a bead bent to radius R has its middle w^2/(12 R)
    outside its path, so both diameters fall by w^2/(3 D); shrinkage: in proportion to the size.
    """
    small = 1.0 + SMALL_HOLE_MM * _ROUND_HOLE[kind] / nominal_mm
    swell = _SWELL[kind] * SWELL_PER_MM * spread_mm**SWELL_POWER * small
    bend = _ROUND[kind] * bend_loss(nominal_mm, bead_width_mm)
    return swell - bend - shrinkage_percent / 100.0 * nominal_mm


def bend_loss(diameter_mm: Array, bead_width_mm: Array) -> Array:
    """Loss of diameter, mm, since a bent bead's middle lies w^2 / (12 R) outside its path: w^2 / (3 D)."""
    return bead_width_mm * bead_width_mm / (3.0 * np.maximum(diameter_mm, bead_width_mm))


def facet_loss(diameter_mm: Array, facets: Array) -> Array:
    """Loss of diameter, mm, of a hole drawn as n flats through its circle: 2 R (1 - cos(pi / n)); n 0: none."""
    flats = np.maximum(facets, 3)
    return np.where(facets > 0, diameter_mm * (1.0 - np.cos(math.pi / flats)), 0.0)


def _prior_variance(nominal: Array, width: Array, sag: Array, classes: FitParameters) -> Array:
    """Variance between features (F, C) such that the predictive scale is the stated prior spread."""
    bead = (SD_MM + SD_PER_WIDTH * width) * (1.0 + (SIDE_SPREAD - 1.0) * sag)
    shrinkage = SHRINKAGE_SD / 100.0 * classes.shrinkage_percent * nominal
    return (bead * bead + shrinkage * shrinkage) / (1.0 + 1.0 / PRIOR_WEIGHT)


def surprise(classes: FitParameters) -> Measured:
    """The classes' calibrations as how far their allowances lay from the prior for the bead they were measured with."""
    laid = classes.bead_width_mm if classes.calibrated_width_mm is None else classes.calibrated_width_mm
    laid = np.where(np.isnan(laid), classes.bead_width_mm, laid)
    kinds = np.array([[KIND_CODES[FeatureKind.BOSS]], [KIND_CODES[FeatureKind.HOLE]]])
    expected = size_bias(
        kinds, np.full((2, 1), GAUGE_MM), laid, spread_width(laid, classes.bore_mm), classes.shrinkage_percent
    )
    outside, inside = np.stack([classes.boss_allowance_mm, classes.hole_allowance_mm]) - expected
    trust = np.ones_like(classes.measured) if classes.trust is None else classes.trust
    return Measured(outside, inside, classes.size_sd_mm, classes.measured, trust)
