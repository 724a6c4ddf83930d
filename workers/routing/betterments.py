"""What would better a weak routing: other bores and tips, tolerances, sizes as drawn, details, materials.

A routing is weak where its detail, fit or clog score is below WEAK: of five copies, or of a part's fine detail, a fifth
is lost. Every change is tried on the whole shop, and its gain is told in utility, hours against hours, so that gains of
different changes compare. A bead follows an inner corner of half its width and leaves material in a tighter one. A
score from curves does not weigh corners: then a larger radius is told by what the bead leaves, and gains nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from scipy.special import stdtrit

from workers.model.job import JobSpec, Limits, ToleranceNeed
from workers.model.part import DetailCurves, GeometrySummary
from workers.model.routing import Candidate, FitPrediction, Scores, Weighed
from workers.model.shop import Shop
from workers.process.limits import limits_of
from workers.routing.remedies import Change, harder_tips, machines_up, other_bores, other_materials, shelf_nozzles

WEAK = 0.8  # engineering prior
WATCHED = (Weighed.DETAIL, Weighed.FIT, Weighed.CLOG)
SURE = 0.95  # chance of a size to conform that a looser tolerance aims at (ours)
STEP_MM = 0.01  # sizes are said in hundredths


def weaknesses(chosen: Candidate) -> tuple[Weighed, ...]:
    """The scores of the choice that are weak."""
    return tuple(one for one in WATCHED if getattr(chosen.scores, one.value) < WEAK)


def gain_of(weights: Scores, now: Candidate, then: Candidate) -> float:
    """Utility that the change brings: sum of weight * ln(score after / score before), hours against hours."""
    gain = 0.0
    for one in WATCHED:
        weight, before, after = (float(getattr(of, one.value)) for of in (weights, now.scores, then.scores))
        gain += weight * math.log(after / before)
    return gain + weights.time * math.log((now.print_h + now.setup_h) / (then.print_h + then.setup_h))


def betterments(shop: Shop, spec: JobSpec, chosen: Candidate) -> Iterator[Change]:
    """Changes worth a try for what is weak."""
    weak = weaknesses(chosen)
    if Weighed.FIT in weak:
        yield from _other_sizes(shop, spec, chosen)
    if Weighed.DETAIL in weak:
        yield from _larger_features(shop, spec, chosen)
        yield from rounder_corners(shop, spec, chosen)
    yield from machines_up(shop, spec)
    yield from shelf_nozzles(shop, spec)
    yield from other_bores(shop, spec)
    if Weighed.CLOG in weak:
        yield from harder_tips(shop, spec)
    yield from other_materials(shop, spec)


def _other_sizes(shop: Shop, spec: JobSpec, chosen: Candidate) -> Iterator[Change]:
    """Each toleranced size that is likely to miss: drawn so that it comes out in the middle, or held less tightly."""
    for index, (need, fit) in enumerate(zip(spec.tolerances, chosen.fits, strict=False)):
        if fit.probability >= WEAK:
            continue
        limits = limits_of(need)
        drawn = need.nominal_mm + (limits.lower_mm + limits.upper_mm) / 2.0 - fit.mean_mm
        moved = replace(_held(need, limits), nominal_mm=round(drawn / STEP_MM) * STEP_MM)
        said = (
            f"Draw {need.name!r} at {moved.nominal_mm:.2f} mm instead of {need.nominal_mm:g} mm, its limits unchanged"
        )
        yield Change(said, shop, _with(spec, index, moved), None, moved.nominal_mm - need.nominal_mm, "mm")
        looser = _looser(limits, fit)
        said = (
            f"Let {need.name!r} be {looser.lower_mm:.2f} to {looser.upper_mm:.2f} mm instead of "
            f"{limits.lower_mm:.3f} to {limits.upper_mm:.3f} mm"
        )
        wider = (looser.upper_mm - looser.lower_mm) - (limits.upper_mm - limits.lower_mm)
        yield Change(said, shop, _with(spec, index, _held(need, looser)), None, wider, "mm")


def _looser(limits: Limits, fit: FitPrediction) -> Limits:
    """Wide enough, in whole hundredths, for the size to conform with a chance of SURE."""
    reach = float(stdtrit(fit.dof, (1.0 + SURE) / 2.0)) * fit.scale_mm
    return Limits(
        lower_mm=min(limits.lower_mm, math.floor((fit.mean_mm - reach) / STEP_MM) * STEP_MM),
        upper_mm=max(limits.upper_mm, math.ceil((fit.mean_mm + reach) / STEP_MM) * STEP_MM),
    )


def _held(need: ToleranceNeed, limits: Limits) -> ToleranceNeed:
    return replace(need, limits=limits, iso286=None, iso2768=None, mating=None)


def _with(spec: JobSpec, index: int, need: ToleranceNeed) -> JobSpec:
    return replace(spec, tolerances=(*spec.tolerances[:index], need, *spec.tolerances[index + 1 :]))


def _larger_features(shop: Shop, spec: JobSpec, chosen: Candidate) -> Iterator[Change]:
    """What is finer than the bead drawn as wide as the bead: ribs and strokes wider, slots and gaps wider."""
    summary = spec.part()
    width = _told_width(summary.curves, chosen.bead_width_mm)
    wide = math.ceil(width / STEP_MM - 1e-9) * STEP_MM
    smallest = summary.smallest
    named = [
        f"{words} ({size:.2f} mm)"
        for words, size in (
            ("the narrowest rib", smallest.rib_mm),
            ("the narrowest slot", smallest.slot_mm),
            ("the finest stroke", smallest.stroke_mm),
        )
        if size is not None and size < wide
    ]
    if not named and summary.curves is None:
        return
    said = f"Draw {' and '.join(named) or 'ribs, strokes and slots'} at least {wide:.2f} mm wide"
    grown = replace(
        smallest,
        rib_mm=_at_least(smallest.rib_mm, wide),
        slot_mm=_at_least(smallest.slot_mm, wide),
        stroke_mm=_at_least(smallest.stroke_mm, wide),
    )
    curves = None if summary.curves is None else _grown(summary.curves, width)
    yield Change(said, shop, replace(spec, summary=replace(summary, smallest=grown, curves=curves)), None, wide, "mm")


def rounder_corners(shop: Shop, spec: JobSpec, chosen: Candidate) -> Iterator[Change]:
    """The tightest inner corner with the radius that the bead follows; of what is weak in detail."""
    if Weighed.DETAIL not in weaknesses(chosen):
        return
    summary, least = spec.part(), math.ceil(chosen.bead_width_mm / 2.0 / STEP_MM - 1e-9) * STEP_MM
    radius = summary.smallest.corner_radius_mm
    if radius is not None and radius < least - STEP_MM / 2.0:
        said = f"Draw the tightest inner corner with a radius of at least {least:.2f} mm instead of {radius:.2f} mm"
        rounder = replace(summary, smallest=replace(summary.smallest, corner_radius_mm=least))
        yield Change(said, shop, replace(spec, summary=rounder), None, least, "mm")


def left_in_corners_mm(summary: GeometrySummary, width_mm: float) -> float:
    """How deep the material is that the bead leaves in the tightest inner corner, were it square: a circle of half the
    bead's width touches both walls, and comes no nearer to the corner than (sqrt 2 - 1) of what its radius is more."""
    radius = summary.smallest.corner_radius_mm
    return 0.0 if radius is None else (math.sqrt(2.0) - 1.0) * max(width_mm / 2.0 - radius, 0.0)


def _told_width(curves: DetailCurves | None, width_mm: float) -> float:
    """The narrowest width at or above the bead's that the curves tell anything of: between two they step."""
    known = () if curves is None else curves.bead_width_mm
    return min((w for w in known if w >= width_mm), default=width_mm)


def _at_least(size: float | None, least: float) -> float | None:
    return None if size is None else max(size, least)


def _grown(curves: DetailCurves, width_mm: float) -> DetailCurves:
    """The curves of a part whose features finer than that are as wide as that: their share is lost only beyond it."""

    def moved(values: tuple[float, ...]) -> tuple[float, ...]:
        return tuple(0.0 if w <= width_mm else value for w, value in zip(curves.bead_width_mm, values, strict=True))

    return replace(curves, feature_loss=moved(curves.feature_loss), feature_gain=moved(curves.feature_gain))
