"""What would help a job: changes that make it routable, or better a weak routing, each tried before it is said.

A trial scores the job on a whole changed shop, a millisecond or two each, so nothing of this is done when jobs are
routed: whoever asks pays for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import islice

from workers.model.fleet import Machine, Material, Nozzle
from workers.model.job import JobSpec
from workers.model.routing import Candidate, Help, InformationValue, Measure, Remedy, Routing
from workers.model.shop import Shop, find
from workers.routing.betterments import betterments, gain_of, left_in_corners_mm, rounder_corners, weaknesses
from workers.routing.decide import Router
from workers.routing.information import value_of_information
from workers.routing.refusals import nearest_miss
from workers.routing.remedies import MOST, TRIES, Change, effect_of, remedies

WORTH = 0.01  # of utility: a smaller gain is not worth a change (ours)


def with_remedies(router: Router, spec: JobSpec, routing: Routing) -> Routing:
    """An unroutable job's routing with what would make it routable; any other as it is."""
    return routing if routing.chosen else replace(routing, remedies=remedies_of(router, spec, routing))


def remedies_today(router: Router, spec: JobSpec) -> tuple[Remedy, ...]:
    """Of a job that was unroutable when it was routed: the shop may have changed since."""
    [routing] = router.route([spec])
    if routing.chosen is None:
        return remedies_of(router, spec, routing)
    return (Remedy(change="Route the job again: the shop has changed", effect=effect_of(router.shop, routing.chosen)),)


def remedies_of(router: Router, spec: JobSpec, routing: Routing) -> tuple[Remedy, ...]:
    """Of an unroutable job. Where no single change helps: what is missing where it comes nearest."""
    seen = router.looked_at(spec)
    nearest = () if seen is None else nearest_miss(seen[0], 0, spec)
    return remedies(router.shop, spec, routing.refused, router.best_of, nearest)


def helps(router: Router, spec: JobSpec) -> tuple[Help, ...]:
    """What would help the job on the router's shop, most helpful first; empty where it is routed well."""
    [routing] = router.route([spec])
    if routing.chosen is None:
        found = remedies_of(router, spec, routing)
        return tuple(
            Help(change=one.change, effect=one.effect, gate=one.gate, amount=one.amount, unit=one.unit) for one in found
        )
    if not weaknesses(routing.chosen):
        return ()
    return _betters(router, spec, routing, routing.chosen)


def _betters(router: Router, spec: JobSpec, routing: Routing, chosen: Candidate) -> tuple[Help, ...]:
    tried = [*_tried(router, spec, routing, chosen), *_measured(router, spec, chosen)]
    worth = sorted(((one.gain or 0.0, one) for one in tried), key=lambda pair: -pair[0])
    found = tuple(one for gain, one in worth[:MOST] if gain > WORTH)
    return (*found, *_corners(router, spec, routing, chosen, found))


def _corners(
    router: Router, spec: JobSpec, routing: Routing, chosen: Candidate, found: Sequence[Help]
) -> Iterator[Help]:
    """The larger radius, where the score does not weigh it and so nobody hears of it."""
    for change in rounder_corners(router.shop, spec, chosen):
        then = router.best_of(change.shop, change.spec)
        if then is not None and all(one.change != change.said for one in found):
            yield _help(change, spec, chosen, then, gain_of(routing.emphasis, chosen, then))


def _tried(router: Router, spec: JobSpec, routing: Routing, chosen: Candidate) -> Iterator[Help]:
    for change in islice(betterments(router.shop, spec, chosen), TRIES):
        then = router.best_of(change.shop, change.spec)
        if then is not None:
            yield _help(change, spec, chosen, then, gain_of(routing.emphasis, chosen, then))


def _help(change: Change, spec: JobSpec, now: Candidate, then: Candidate, gain: float) -> Help:
    return Help(
        change=change.said,
        effect=f"{effect_of(change.shop, then)}; {_changed(now, then)}{_corner_words(change, spec, now, then)}; "
        f"{gain:+.2f} of utility",
        gate=change.gate,
        now=now.scores,
        then=then.scores,
        gain=gain,
        saved_h=now.print_h - then.print_h,
        good_gain=then.good_share - now.good_share,
        amount=change.amount,
        unit=change.unit,
    )


def _corner_words(change: Change, spec: JobSpec, now: Candidate, then: Candidate) -> str:
    """What the beads leave in a square inner corner, where the change is about that."""
    left = left_in_corners_mm(spec.part(), now.bead_width_mm)
    after = left_in_corners_mm(change.spec.part(), then.bead_width_mm)
    if change.spec.part().smallest.corner_radius_mm == spec.part().smallest.corner_radius_mm:
        return ""
    return f"; in a square corner the bead leaves {after:.2f} mm instead of {left:.2f} mm"


def _changed(before_change: Candidate, after_change: Candidate) -> str:
    """The scores that move, from and to, and the good copies."""
    now, then = before_change.scores, after_change.scores
    moved = [
        f"{name} {before:.2f} to {after:.2f}"
        for name, before, after in (
            ("detail", now.detail, then.detail),
            ("fit", now.fit, then.fit),
            ("clog", now.clog, then.clog),
        )
        if abs(after - before) >= 0.005
    ]
    good = (100.0 * before_change.good_share, 100.0 * after_change.good_share)
    if abs(good[1] - good[0]) >= 0.5:
        moved.append(f"{good[1]:.0f} of 100 copies good instead of {good[0]:.0f}")
    hours = before_change.print_h - after_change.print_h
    if abs(hours) >= 0.05:
        moved.append(f"{abs(hours):.1f} h {'less' if hours > 0 else 'more'}")
    return ", ".join(moved) or "the same scores in the same time"


def _measured(router: Router, spec: JobSpec, chosen: Candidate) -> Iterator[Help]:
    """Calibrations and measured prints: what they bring on average."""
    for value in value_of_information(router, spec):
        yield Help(
            change=f"{_MEASURES[value.measure]} {_place(router.shop, value)}",
            effect=f"changes the choice with a chance of {value.chance_of_change:.0%}".replace("%", " %")
            + f"; {value.gain:+.2f} of utility on average",
            now=chosen.scores,
            gain=value.gain,
            chance=value.chance_of_change,
        )


_MEASURES = {
    Measure.GAUGE_PIECE: "Calibrate with a gauge piece",
    Measure.MEASURED_PRINT: "Print one copy and measure it, on",
}


def _place(shop: Shop, value: InformationValue) -> str:
    machine, nozzle = find(shop, Machine, value.machine_id).name, find(shop, Nozzle, value.nozzle_id).name
    return f"{machine} with {nozzle} in {find(shop, Material, value.material_id).name}"
