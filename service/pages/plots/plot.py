"""What every plot of the pages is: frozen data under a title, which knows how to put itself on a sheet."""

from __future__ import annotations

import unicodedata
from collections.abc import Hashable
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from service.pages.plots.sheet import Sheet

NARROW = 360.0  # px: a whole phone; what is wider keeps its size and is scrolled


class Plot(Hashable, Protocol):
    """key: its name on the page, of a-z, 0-9 and "-"; words: what it shows, for who cannot see it; size: px.

    style: its class in the style sheet. Equal plots are drawn once, so all that is drawn must be among the fields.
    """

    @property
    def key(self) -> str: ...
    @property
    def title(self) -> str: ...
    @property
    def words(self) -> str: ...
    @property
    def size(self) -> tuple[float, float]: ...
    @property
    def style(self) -> str: ...

    def draw(self, sheet: Sheet) -> None: ...


def cut(text: str, room: float, size: float = 13.0) -> str:
    """A name that has so many px; the table beside the plot holds it whole. size: of its letters, px."""
    room_em = room / size
    if sum(map(_em, text)) <= room_em:
        return text
    room_em -= 1.0
    for i, letter in enumerate(text):
        room_em -= _em(letter)
        if room_em < 0.0:
            return text[:i].rstrip() + "…"
    return text


def _em(letter: str) -> float:
    """Width over height, about: pages are read in the reader's own font."""
    if letter in "WM@%" or unicodedata.east_asian_width(letter) in {"W", "F"}:
        return 1.0
    return 0.7 if letter.isupper() or letter in "mw" else 0.57


def isolated(name: str) -> str:
    """A name that keeps its own direction of writing, and what stands beside it its own (Unicode, UAX 9, isolates)."""
    turns = any(unicodedata.bidirectional(letter) in {"R", "AL", "AN"} for letter in name)
    return f"\N{FIRST STRONG ISOLATE}{name}\N{POP DIRECTIONAL ISOLATE}" if turns else name
