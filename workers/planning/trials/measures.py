"""What a trial looks at where it does not say so itself, and how much equal runs are expected to scatter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

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
ON_PART = ", part "
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


def of_parts(measures: Sequence[Measure], part_ids: Sequence[str]) -> tuple[Measure, ...]:
    """Of several parts, what names none is looked at on each: one measure a part, told apart by the part's number."""
    if len(part_ids) < 2:
        return tuple(measures)
    found: list[Measure] = []
    for one in measures:
        found += [one] if one.part_id is not None else [_on_part(one, i, p) for i, p in enumerate(part_ids, 1)]
    return tuple(found)


def _on_part(measure: Measure, number: int, part_id: str) -> Measure:
    series = f"{measure.series}{ON_PART}{number}" if measure.series else ""
    name, use = f"{measure.name}{ON_PART}{number}", f"{measure.use or measure.name}{ON_PART}{number}"
    return replace(measure, name=name, use=use, series=series, part_id=part_id)


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
