"""The form for a line-up study: from its text fields to the body of ``POST /v1/line-up-studies``, and problems back.

A field is named after its place in that body, with dots (``offers.0.bore_mm``). Pure; no HTTP.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from typing import Any

from service.pages.wording import problem_words
from workers.model.errors import FieldProblem
from workers.model.lineup import LineUpPrices, LineUpRequest, MixSource
from workers.planning.lineup.words import MEANING

OFFERS = 3  # rows for nozzles to buy
LIMITS: Mapping[str, str] = {"10": "10 seconds", "60": "1 minute", "300": "5 minutes"}
SOURCES: Mapping[str, str] = {
    MixSource.HISTORY.value: "Those handed in lately",
    MixSource.QUEUE.value: "Those that wait now",
}
SOURCE_WORDS: Mapping[str, str] = {
    MixSource.HISTORY.value: "handed in lately",
    MixSource.QUEUE.value: "waiting then",
    MixSource.FORECAST.value: "a forecast",
}
PRICES: tuple[str, ...] = tuple(one.name for one in fields(LineUpPrices) if one.name in MEANING)
STARTS: Mapping[str, str] = {
    "source": MixSource.HISTORY.value,
    "history_days": str(LineUpRequest().history_days),
    "window_h": f"{LineUpRequest().window_h:g}",
    "time_limit_s": "60",
}
_OFFER: Mapping[str, str] = {
    "name": "called",
    "bore_mm": "bore",
    "tip": "tip",
    "fitting": "fitting",
    "price": "price of one",
    "at_most": "pieces at most",
}
_TYPED = ("name", "bore_mm", "price")  # what tells that a row is used: the rest is chosen for it
_NUMBERS = frozenset({"bore_mm", "price", "at_most"})
LABELS: Mapping[str, str] = {
    "name": "Name",
    "source": "Jobs",
    "history_days": "Days looked back",
    "window_h": "Hours to print them in",
    "machine_ids": "Machines",
    "time_limit_s": "Time to search",
    **{f"offers.{i}.{name}": f"Nozzle {i + 1}, {words}" for i in range(OFFERS) for name, words in _OFFER.items()},
    **{f"prices.{name}": MEANING[name][1][:1].upper() + MEANING[name][1][1:] for name in PRICES},
}


def price_rows() -> list[tuple[str, str, str]]:
    """(field, label, hint) of every price; what it is taken to be when it is left empty stands in the hint."""
    usual = LineUpPrices()
    return [
        (
            f"prices.{name}",
            LABELS[f"prices.{name}"],
            f"Left empty: {getattr(usual, name):g} {MEANING[name][0]}".rstrip() + " (engineering prior)",
        )
        for name in PRICES
    ]


def rows_filled(form: Mapping[str, str]) -> list[int]:
    """The rows of offers in which something was typed."""
    return [i for i in range(OFFERS) if any(form.get(f"offers.{i}.{name}", "").strip() for name in _TYPED)]


def body_of(form: Mapping[str, str], machine_ids: Sequence[str]) -> dict[str, Any]:
    """Text that is no number stays text, so that the schema says what is wrong with it."""
    source = form.get("source", "")
    body: dict[str, Any] = {
        "name": form.get("name", "").strip(),
        "source": source,
        "machine_ids": list(machine_ids),
        "offers": [_offer(form, i) for i in rows_filled(form)],
        "prices": _numbers(form, {f"prices.{name}": name for name in PRICES}),
    }
    of_source = "history_days" if source == MixSource.HISTORY.value else "window_h"
    return body | _numbers(form, {of_source: of_source, "time_limit_s": "time_limit_s"})


def problems_of(found: Iterable[FieldProblem], rows: Sequence[int]) -> dict[str, list[str]]:
    """By field of the form; "" for what belongs to none. ``rows``: as :func:`rows_filled` gave them."""
    said: dict[str, list[str]] = {}
    for one in found:
        said.setdefault(_field_of(one.pointer, rows), []).append(problem_words(one))
    return said


def _offer(form: Mapping[str, str], row: int) -> dict[str, Any]:
    given = {name: form.get(f"offers.{row}.{name}", "").strip() for name in _OFFER}
    return {name: number_of(text) if name in _NUMBERS else text for name, text in given.items() if text}


def _numbers(form: Mapping[str, str], names: Mapping[str, str]) -> dict[str, float | str]:
    given = {name: form.get(field, "").strip() for field, name in names.items()}
    return {name: number_of(text) for name, text in given.items() if text}


def number_of(text: str) -> float | str:
    """A figure with a decimal comma or point; what is none stays text."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return text[:40]


def _field_of(pointer: str, rows: Sequence[int]) -> str:
    steps = pointer.strip("/").split("/")
    if steps[0] == "offers" and len(steps) > 1 and steps[1].isdigit() and int(steps[1]) < len(rows):
        steps[1] = str(rows[int(steps[1])])
        steps = steps if len(steps) > 2 else [*steps, "name"]
    elif steps[0] == "machine_ids":
        steps = steps[:1]
    field = ".".join(steps)
    return field if field in LABELS else ""
