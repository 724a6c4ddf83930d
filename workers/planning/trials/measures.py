"""What a trial looks at where it does not say so itself, and how much equal runs are expected to scatter."""

from __future__ import annotations

from dataclasses import dataclass

from workers.geometry import gauge_piece
from workers.model.job import Limits, ToleranceNeed
from workers.model.part import FeatureKind
from workers.model.trial import BINARY, Measure, MeasureKind
from workers.process.limits import limits_of

# Engineering priors: scatter of equal runs, and the smallest difference worth knowing. Sizes in mm, time in ln hours.
SPREAD = {MeasureKind.SIZE: 0.04, MeasureKind.TIME: 0.05}
MATTERS = {MeasureKind.SIZE: 0.05, MeasureKind.TIME: 0.1}
SLIDING = "H11"  # engineering prior: a hole for a sliding fit, as printed holes go
FITTED_MM = (5.0, 8.0)  # holes and bosses of the gauge piece that are measured
CLOG = Measure(name="clog", kind=MeasureKind.CLOG, use="runs without a clog")
TIME = Measure(name="time", kind=MeasureKind.TIME, use="hours of a run")


@dataclass(frozen=True, slots=True)
class Scale:
    spread: float
    matters: float


def scale_of(measure: Measure) -> Scale:
    """Of a size or of time."""
    return Scale(measure.spread or SPREAD[measure.kind], measure.matters or MATTERS[measure.kind])


def is_binary(measure: Measure) -> bool:
    return measure.kind in BINARY


def gauge_measures() -> tuple[Measure, ...]:
    """Of the gauge piece: two holes and two bosses measured, every graded rib, slot, stroke and lean looked at, clogs
    and time."""
    sizes = [_size(one) for one in gauge_piece.features() if one.nominal in FITTED_MM and one.facets]
    graded = [_graded(one) for one in gauge_piece.features() if one.series in {"rib", "slot", "stroke", "lean"}]
    return (*sizes, *graded, CLOG, TIME)


def _size(feature: gauge_piece.GaugeFeature) -> Measure:
    is_hole = feature.kind is FeatureKind.HOLE
    limits = _limits(feature) if is_hole else None
    return Measure(
        name=feature.name,
        kind=MeasureKind.SIZE,
        use=f"sliding fit, {SLIDING}, {feature.nominal:g} mm" if is_hole else f"boss of {feature.nominal:g} mm",
        feature=feature.kind,
        nominal_mm=feature.nominal,
        facets=feature.facets,
        lower_mm=limits.lower_mm if limits else None,
        upper_mm=limits.upper_mm if limits else None,
    )


def _limits(feature: gauge_piece.GaugeFeature) -> Limits:
    need = ToleranceNeed(
        name=feature.name, kind=feature.kind or FeatureKind.HOLE, nominal_mm=feature.nominal, iso286=SLIDING
    )
    return limits_of(need)


def _graded(feature: gauge_piece.GaugeFeature) -> Measure:
    said = f"{feature.series} of {feature.nominal:g} {feature.unit}".replace(" °", "°")
    return Measure(
        name=feature.name,
        kind=MeasureKind.KEPT,
        use=said,
        series=feature.series,
        feature=feature.kind,
        nominal_mm=feature.nominal,
    )
