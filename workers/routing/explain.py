"""A routing in plain sentences, made from its numbers alone: the explanation cannot drift from the choice."""

from __future__ import annotations

import math
from collections.abc import Iterator

from workers.model.fleet import Machine, Material, Nozzle
from workers.model.routing import (
    Candidate,
    Contribution,
    Explanation,
    Flip,
    Gate,
    Refusal,
    Routing,
    TimeSplit,
    Weighed,
)
from workers.model.shop import Shop
from workers.model.words import hours

GATE_WORDS = {
    Gate.PLACE: "the nozzle that the job names must be mounted on the machine that it names",
    Gate.MACHINE_UP: "the machine must be in service",
    Gate.MATERIAL_NEED: "the material must have what the job asks for",
    Gate.BUILD_VOLUME: "the part must stand in the build volume",
    Gate.NOZZLE_TEMPERATURE: "hotend and nozzle must reach the material's temperature",
    Gate.BED_TEMPERATURE: "the bed must reach the material's temperature",
    Gate.CHAMBER: "the material needs an enclosed or heated chamber",
    Gate.TIP_WEAR_CLASS: "the tip must stand the filler",
    Gate.WORN: "the tip must have less abrasive filament behind it than it is good for",
    Gate.BORE_FOR_FILLER: "the bore must be wide enough for the fibres",
    Gate.STOCK: "one spool must hold a whole copy",
    Gate.CRITICAL_DETAIL: "a bead must be no wider than the finest critical detail",
    Gate.LAYER_FOR_LOAD: "layers must be low against the bore for a load-bearing part",
}
SCORE_WORDS = {
    Weighed.DETAIL: "detail kept",
    Weighed.FIT: "chance that every toleranced size conforms",
    Weighed.CLOG: "chance of no clog",
    Weighed.TIME: "speed against the fastest",
}
FLIP_SHOWN = 0.005  # a flip that needs all the weight, or none, says nothing
NOTEWORTHY = 1e-3  # contributions below this change nothing that a reader could see


class _Names:
    """Names for ids; a thing that has left the shop keeps its id."""

    def __init__(self, shop: Shop) -> None:
        self._names: dict[type, dict[str, str]] = {
            Machine: {thing.id: thing.name for thing in shop.machines},
            Nozzle: {thing.id: thing.name for thing in shop.nozzles},
            Material: {thing.id: thing.name for thing in shop.materials},
        }

    def of(self, kind: type, thing_id: str) -> str:
        return self._names[kind].get(thing_id, thing_id)

    def place(self, candidate: Candidate) -> str:
        return (
            f"{self.of(Machine, candidate.machine_id)}, nozzle {self.of(Nozzle, candidate.nozzle_id)}, "
            f"{self.of(Material, candidate.material_id)}"
        )

    def winner(self, told: str) -> str:
        """Names in the place of the ids in ``machine / nozzle / material, bead w x h mm``."""
        place, _, bead = told.partition(", ")
        machine, nozzle, material = place.split(" / ")
        bead = bead.replace(" x ", " × ")
        return f"{self.of(Machine, machine)}, nozzle {self.of(Nozzle, nozzle)}, {self.of(Material, material)}, {bead}"


def explain(routing: Routing, shop: Shop) -> Explanation:
    """The sentences of a routing; ``shop`` gives the names."""
    names = _Names(shop)
    refusals = tuple(_refusal_sentence(refusal, names) for refusal in routing.refused)
    remedies = tuple(f"{remedy.change}: {remedy.effect}." for remedy in routing.remedies)
    if routing.chosen is None:
        return Explanation(
            headline="Nothing in the shop can print this as it stands.",
            reasons=(_considered(routing),),
            contributions=(),
            refusals=refusals,
            flips=(),
            remedies=remedies,
            notes=routing.notes,
            cautions=routing.cautions,
        )
    parts = contributions(routing)
    return Explanation(
        headline=_headline(routing.chosen, names),
        reasons=tuple(_reasons(routing, routing.chosen, parts, names)),
        contributions=parts,
        refusals=refusals,
        flips=tuple(sentence for flip in routing.flips for sentence in _flip_sentences(flip, names)),
        remedies=remedies,
        notes=routing.notes,
        cautions=routing.cautions,
    )


def contributions(routing: Routing) -> tuple[Contribution, ...]:
    """weight * ln(score / score of the runner-up) for each score: they sum to the gap in utility."""
    if routing.chosen is None or not routing.others:
        return ()
    chosen, other = routing.chosen.scores, routing.others[0].scores
    return tuple(
        Contribution(
            score=one,
            weight=(weight := getattr(routing.emphasis, one.value)),
            chosen=(mine := getattr(chosen, one.value)),
            runner_up=(theirs := getattr(other, one.value)),
            share=weight * math.log(mine / theirs),
        )
        for one in Weighed
    )


def _headline(chosen: Candidate, names: _Names) -> str:
    return (
        f"Print on {names.place(chosen)}: bead {chosen.bead_width_mm:.2f} mm wide, "
        f"layers {chosen.layer_height_mm:.2f} mm, {hours(chosen.print_h)} a copy."
    )


def _reasons(routing: Routing, chosen: Candidate, parts: tuple[Contribution, ...], names: _Names) -> Iterator[str]:
    yield _considered(routing)
    yield (
        f"Its detail score is {chosen.scores.detail:.2f} (details finer than 2 mm kept, layer steps on slopes), "
        f"it clogs with a chance of "
        f"{_percent(chosen.clog_risk)} a copy, and takes {hours(chosen.print_h)} and {chosen.material_g:.0f} g."
    )
    for one in chosen.fits:
        yield (
            f"{one.name}: expected {one.mean_mm:.2f} mm within {one.lower_mm:.3f} to {one.upper_mm:.3f} mm, "
            f"conforms with a chance of {_percent(one.probability)} (Cpk {one.cpk:.2f})."
        )
    if routing.split is not None:
        yield _pace(routing.split)
    yield _grounds(chosen)
    yield _good_copy(chosen)
    if parts:
        yield _lead(parts, names.place(routing.others[0]))
    if chosen.probability_best is not None and routing.others:
        yield _sureness(chosen.probability_best)


def _considered(routing: Routing) -> str:
    return (
        f"{_many(routing.pairings, 'pairing')} of machine, nozzle and material, with "
        f"{_many(routing.candidates, 'bead')} in all, {'was' if routing.pairings == 1 else 'were'} looked at; "
        f"{_many(routing.feasible, 'bead')} passed every gate."
    )


def _good_copy(chosen: Candidate) -> str:
    """What a copy takes that can be used. The currency is the shop's own; a shop without prices has no cost."""
    taken = f"{hours(chosen.hours_per_good)} and {chosen.grams_per_good:.0f} g"
    cost = f" and costs {chosen.cost_per_good:.2f} in the shop's currency" if chosen.cost_per_good > 0.0 else ""
    return f"Counting failed copies in, a good copy takes {taken}{cost}."


def _pace(split: TimeSplit) -> str:
    shares = {
        "the melt": split.melt_h,
        "the motion": split.motion_h,
        "cooling": split.cooling_h,
        "travel": split.travel_h,
    }
    total = sum(shares.values())
    name, most = max(shares.items(), key=lambda item: item[1])
    return f"Mostly {name} sets the pace ({100.0 * most / total:.0f} % of the printing time)." if total > 0 else ""


def _grounds(chosen: Candidate) -> str:
    """What the figures rest on."""
    grounds = chosen.grounds
    learnt = [
        (grounds.sizes, _many(grounds.sizes, "measured size")),
        (grounds.timed, _many(grounds.timed, "timed print")),
        (grounds.volume_cm3, f"{grounds.volume_cm3:.0f} cm³ printed"),
        (grounds.calibration_weight, f"a calibration that counts for {100.0 * grounds.calibration_weight:.0f} %"),
    ]
    said = [words for amount, words in learnt if amount > 0]
    if not said:
        return "Nothing was measured on this pairing yet: the figures rest on priors and on its neighbours."
    return f"The figures rest on priors corrected by {', '.join(said)} of this pairing, and by its neighbours."


def _sureness(probability: float) -> str:
    words = "as good as sure" if probability >= 0.95 else "likely" if probability >= 0.75 else "still open"
    return (
        f"As far as the figures are known, the chance that it is the best of those listed is {_percent(probability)}: "
        f"{words}."
    )


def _lead(parts: tuple[Contribution, ...], runner_up: str) -> str:
    total = sum(part.share for part in parts)
    said = [
        f"{SCORE_WORDS[part.score]} {part.chosen:.3g} against {part.runner_up:.3g} ({part.share:+.3f})"
        for part in sorted(parts, key=lambda part: -abs(part.share))
        if abs(part.share) >= NOTEWORTHY
    ]
    if not said:
        return f"{runner_up} would do as well; the order of names decided."
    return f"It leads {runner_up} by {total:.3f} in utility: {'; '.join(said)}."


def _refusal_sentence(refusal: Refusal, names: _Names) -> str:
    subject = [
        names.of(kind, one)
        for kind, one in (
            (Machine, refusal.machine_id),
            (Nozzle, refusal.nozzle_id),
            (Material, refusal.material_id),
        )
        if one is not None
    ]
    detail = f" ({refusal.detail})" if refusal.detail else ""
    counted = f" [{_many(refusal.pairings, 'pairing')}]" if refusal.pairings else ""
    return (
        f"{' with '.join(subject) or 'All'}: {GATE_WORDS[refusal.gate]}{detail}: "
        f"needed {_figure(refusal.needed, refusal.unit)}, there is {_figure(refusal.available, refusal.unit)}{counted}."
    )


def _figure(value: float | str, unit: str) -> str:
    return value if isinstance(value, str) else f"{value:g} {unit}".strip()


def _flip_sentences(flip: Flip, names: _Names) -> Iterator[str]:
    for to, winner, verb in (
        (flip.falls_to, flip.falls_to_winner, "falls"),
        (flip.rises_to, flip.rises_to_winner, "rises"),
    ):
        if to is not None and winner is not None and FLIP_SHOWN < to < 1.0 - FLIP_SHOWN:
            said = names.winner(winner)
            yield f"If the weight of {flip.weight} {verb} from {flip.now:.2f} to {to:.2f}, {said} wins."


def _many(count: int, thing: str) -> str:
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


def _percent(share: float) -> str:
    if share >= 0.9995:
        return "over 99.9 %" if share < 1.0 else "100 %"
    return f"{share * 100:.1f} %" if share >= 0.001 else "under 0.1 %"
