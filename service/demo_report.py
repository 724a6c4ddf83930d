"""What the demo prints: routings in plain sentences, wrapped for a terminal. Pure, but for the terminal's width."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

NARROWEST, WIDEST = 50, 100
REFUSALS_SHOWN = 4
FLIPS_SHOWN = 2


def width_of() -> int:
    """Columns to write in: the terminal's, within what reads well."""
    return max(NARROWEST, min(WIDEST, shutil.get_terminal_size((88, 24)).columns))


def opening(shop: str, width: int) -> str:
    text = f"{shop}: an invented shop. Each job below was handed in over HTTP and routed by the workers."
    return textwrap.fill(text, width) + "\n"


class Report:
    """Numbers the jobs; a note or caution that an earlier job brought in full is cut short and refers to it."""

    def __init__(self, width: int) -> None:
        self._width = width
        self._number = 0
        self._said: dict[str, int] = {}

    def routing(self, name: str, shows: str, explanation: Mapping[str, Any]) -> str:
        """One job's routing and its reasons."""
        return self._text(name, self._routing(shows, explanation))

    def failure(self, name: str, reason: str) -> str:
        return self._text(name, iter(self._wrapped(f"It could not be worked out: {reason}.")))

    def _text(self, name: str, lines: Iterator[str]) -> str:
        self._number += 1
        title = f"{self._number}. {name}"
        return "\n".join((title, "-" * min(self._width, len(title)), *lines, ""))

    def _routing(self, shows: str, explanation: Mapping[str, Any]) -> Iterator[str]:
        yield from self._wrapped(f"It shows: {shows}.")
        yield from self._wrapped(f"=> {explanation['headline']}", hang="     ")
        yield from self._bullets("", explanation["reasons"])
        yield from self._bullets("What would change that:", explanation["remedies"])
        yield from self._bullets("Another would win:", explanation["flips"], FLIPS_SHOWN)
        yield from self._bullets("Ruled out:", explanation["refusals"], REFUSALS_SHOWN)
        yield from self._bullets("Notes:", [self._once(one) for one in explanation["notes"]])
        yield from self._bullets("Take care:", [self._once(one) for one in explanation["cautions"]])

    def _once(self, sentence: str) -> str:
        first = self._said.setdefault(sentence, self._number)
        if first == self._number:
            return sentence
        return f"{sentence.split(':', maxsplit=1)[0].rstrip('.')} (in full: job {first})."

    def _bullets(self, title: str, sentences: Sequence[str], most: int | None = None) -> Iterator[str]:
        said = [sentence for sentence in sentences if sentence]
        if said and title:
            yield f"  {title}"
        for sentence in said[:most]:
            yield from self._wrapped(f"- {sentence}", hang="    ")
        if most is not None and len(said) > most:
            yield f"  - and {len(said) - most} more."

    def _wrapped(self, text: str, hang: str = "  ") -> list[str]:
        return textwrap.wrap(text, self._width, initial_indent="  ", subsequent_indent=hang, break_long_words=False)
