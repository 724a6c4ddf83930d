"""How far each nozzle is calibrated in each material: told by the shape of a mark, a word beside it, hours below."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

if TYPE_CHECKING:
    from service.pages.plots.sheet import Field, Sheet

LEFT, COLUMN, HEAD, ROW, MACHINE, LINE = 140.0, 98.0, 42.0, 42.0, 22.0, 13.0  # px
RADIUS = 6.5
LETTERS, NAME_LETTERS = 14, 18  # of a material, of a nozzle; each is broken into two lines


@dataclass(frozen=True, slots=True)
class Mark:
    """One pairing. state: of its calibration, or "barred"; words: the state's; waits: "" where nothing does."""

    column: int
    state: str
    words: str
    waits: str


@dataclass(frozen=True, slots=True)
class MatrixRow:
    """One nozzle; of ``machine`` it is the first where that is not ""."""

    machine: str
    nozzle: str
    marks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MatrixPlot:
    """Materials across; down, each machine with the nozzles that are mounted on it under its name."""

    key: str
    title: str
    words: str
    columns: tuple[str, ...]
    rows: tuple[MatrixRow, ...]
    style: ClassVar[str] = "matrix"

    @property
    def size(self) -> tuple[float, float]:
        return LEFT + COLUMN * len(self.columns), HEAD + sum(ROW + MACHINE * bool(one.machine) for one in self.rows)

    def draw(self, sheet: Sheet) -> None:
        width, height = self.size
        field = sheet.field((0.0, 0.0, width, height), (0.0, width), (0.0, height))
        for i, name in enumerate(self.columns):
            _lines(sheet, "column", (LEFT + COLUMN * i, 12.0), name, LETTERS)
        for row, y in self._placed():
            if row.machine:
                field.spans("far", [((0.0, y - MACHINE), (width, y - MACHINE))])
                sheet.words("bar-first", (0.0, y - MACHINE + 15.0), row.machine)
            _lines(sheet, "row-label", (10.0, y + 16.0), row.nozzle, NAME_LETTERS)
            for one in row.marks:
                x = LEFT + COLUMN * one.column
                sheet.words("tick", (x + 20.0, y + 16.0), one.words)
                sheet.words("bar-first", (x + 20.0, y + 31.0), one.waits)
        for state in dict.fromkeys(one.state for row in self.rows for one in row.marks):
            _draw_state(field, state, [at for one, at in self._marks() if one.state == state])

    def _placed(self) -> Iterator[tuple[MatrixRow, float]]:
        """Each row with its upper edge."""
        y = HEAD
        for row in self.rows:
            y += MACHINE * bool(row.machine)
            yield row, y
            y += ROW

    def _marks(self) -> Iterator[tuple[Mark, tuple[float, float]]]:
        for row, y in self._placed():
            for one in row.marks:
                yield one, (LEFT + COLUMN * one.column + 8.0, y + 12.0)


def _draw_state(field: Field, state: str, at: list[tuple[float, float]]) -> None:
    """The shapes are those of the signs beside words (coverage_macros)."""
    from service.pages.plots.sheet import DASH, LEFT_HALF, SLASH

    if state == "fresh":
        field.dots("cal cal-full", at, RADIUS)
    elif state == "ageing":
        field.dots("cal", at, RADIUS)
        field.dots("cal-full", at, RADIUS, LEFT_HALF)
    elif state == "stale":
        field.dots("cal cal-gone", at, RADIUS)
        field.dots("cal cal-gone", at, 4.6, SLASH)
    elif state == "none":
        field.dots("cal cal-none", at, RADIUS)
    else:
        field.dots("cal-barred", at, 4.0, DASH)


def _lines(sheet: Sheet, kind: str, at: tuple[float, float], name: str, most: int) -> None:
    for i, line in enumerate(two_lines(name, most)):
        sheet.words(kind, (at[0], at[1] + LINE * i), line)


def two_lines(name: str, most: int) -> tuple[str, ...]:
    """A name broken at a blank; what two lines do not hold is cut."""
    if len(name) <= most:
        return (name,)
    first = name[: most + 1].rpartition(" ")[0] or name[:most]
    rest = name[len(first) :].strip()
    return first, rest if len(rest) <= most else f"{rest[: most - 1]}…"
