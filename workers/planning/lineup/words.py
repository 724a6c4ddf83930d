"""The result of a study in plain sentences, and the figures that it rests on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields

from workers.model.lineup import LineUpPrices, LineUpRequest, LineUpResult, OfferWorth, StudyFigure

CURRENCY = "in the shop's currency"  # which one, the service does not know
MEANING = {
    "operator_per_h": (f"an hour, {CURRENCY}", "time of a person, for setups and changes of nozzle"),
    "scrap_each": (CURRENCY, "clearing away a failed copy"),
    "clog_each": (CURRENCY, "clearing a blocked bore"),
    "detail_each": (CURRENCY, "a copy that has lost all of its fine detail; less in proportion"),
    "late_per_h": (f"an hour, {CURRENCY}", "an hour past a due date, or of work that a machine has no room for"),
    "outside_each": (CURRENCY, "having a copy made elsewhere"),
    "outside_per_cm3": (f"a cm³, {CURRENCY}", "having a copy made elsewhere, by its volume"),
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
        f"{_many(result.jobs, 'job')} in {result.window_h:g} h cost {_cost(today)} with today's line-up and "
        f"{_cost(best)} with the best one found: {_cost(today - best)} less, with "
        f"{_many(len(changed), 'nozzle')} mounted anew. Costs are {CURRENCY}."
    )
    if result.saving is not None and result.saving.draws:
        yield (
            f"With other jobs of the same kind, and as sure as the models are, the saving lies between "
            f"{_cost(result.saving.low)} and {_cost(result.saving.high)} (90 %); "
            f"the change pays with a chance of {100.0 * result.saving.chance:.0f} %."
        )
    if result.proved:
        yield "No other line-up costs less on these figures: this is proved."
    else:
        left = f"{100.0 * result.gap:.2g} % of the cost"
        yield f"No line-up can cost less than {_cost(result.bound)}: what is left open is {left}."
    for offer in result.offers:
        yield _offer(offer)
    if result.unprintable:
        jobs = _many(len(result.unprintable), "job")
        yield f"No line-up can print {jobs}; all line-ups have them bought outside."
    if result.stopped:
        yield "The study was stopped early: this is what was found by then."


def _offer(offer: OfferWorth) -> str:
    verdict = {True: "it is worth its price", False: "it is not worth its price", None: "that is left open"}[offer.pays]
    held = (
        ""
        if offer.proved
        else f" (between {_cost(offer.break_even_low)} and {_cost(offer.break_even_high)} by the bounds)"
    )
    bought = f"; the best line-up buys {offer.bought}" if offer.bought else ""
    return (
        f"{offer.name} ({offer.bore_mm:g} mm) breaks even at {_cost(offer.break_even)}{held}, "
        f"and costs {_cost(offer.price)}: {verdict}{bought}."
    )


def _many(count: int, thing: str) -> str:
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


def _cost(value: float) -> str:
    """With one decimal where that can be read beside the whole."""
    return (f"{value:.1f}" if abs(value) < 10_000.0 else f"{value:,.0f}").replace("-", "\N{MINUS SIGN}")
