"""The result of a study in plain sentences, and the figures that it rests on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields

from workers.model.lineup import LineUpPrices, LineUpRequest, LineUpResult, OfferWorth, StudyFigure

MEANING = {
    "operator_per_h": ("money/h", "time of a person, for setups and changes of nozzle"),
    "scrap_each": ("money", "clearing away a failed copy"),
    "clog_each": ("money", "clearing a blocked bore"),
    "detail_each": ("money", "a copy that has lost all of its fine detail; less in proportion"),
    "late_per_h": ("money/h", "an hour past a due date, or of work that a machine has no room for"),
    "outside_each": ("money", "having a copy made elsewhere"),
    "outside_per_cm3": ("money/cm³", "and its volume"),
    "payback_h": ("h", "in which the price of a nozzle and the work of a change must pay"),
    "utilisation": ("", "share of the window in which a machine prints"),
}


def figures_of(request: LineUpRequest) -> tuple[StudyFigure, ...]:
    return tuple(
        StudyFigure(
            name=one.name,
            value=float(getattr(request.prices, one.name)),
            unit=MEANING[one.name][0],
            source="given" if one.name in request.prices.given else "engineering prior",
            meaning=MEANING[one.name][1],
        )
        for one in fields(LineUpPrices)
        if one.name in MEANING
    )


def sentences_of(result: LineUpResult) -> tuple[str, ...]:
    return tuple(_sentences(result))


def _sentences(result: LineUpResult) -> Iterator[str]:
    today, best = result.today.costs.total, result.best.costs.total
    changed = [one for one in result.best.mounted if one.is_new]
    yield (
        f"{result.jobs} jobs in {result.window_h:g} h cost {today:.0f} with today's line-up and {best:.0f} with the "
        f"best one found: {today - best:.0f} less, with {len(changed)} nozzles mounted anew."
    )
    if result.saving is not None and result.saving.draws:
        yield (
            f"With other jobs of the same kind, and as sure as the models are, the saving lies between "
            f"{result.saving.low:.0f} and {result.saving.high:.0f} (90 %); "
            f"the change pays with a chance of {result.saving.chance:.0%}.".replace("%.", " %.")
        )
    if result.proved:
        yield "No other line-up costs less on these figures: this is proved."
    else:
        left = f"{100.0 * result.gap:.2g} % of the cost"
        yield f"No line-up can cost less than {result.bound:.0f}: what is left open is {left}."
    for offer in result.offers:
        yield _offer(offer)
    if result.unprintable:
        yield f"{len(result.unprintable)} jobs no line-up can print; they count as bought outside everywhere."
    if result.stopped:
        yield "The study was stopped early: this is what was found by then."


def _offer(offer: OfferWorth) -> str:
    verdict = {True: "it is worth its price", False: "it is not worth its price", None: "that is left open"}[offer.pays]
    held = (
        "" if offer.proved else f" (between {offer.break_even_low:.0f} and {offer.break_even_high:.0f} by the bounds)"
    )
    bought = f"; the best line-up buys {offer.bought}" if offer.bought else ""
    return (
        f"{offer.name} ({offer.bore_mm:g} mm) breaks even at {offer.break_even:.0f}{held}, "
        f"and costs {offer.price:.0f}: {verdict}{bought}."
    )
