"""Coverage as the page shows it: the matrix as a drawing, what hangs on each pairing, what to print next. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.pages.drawing import Panel, Part, parts_panel
from service.pages.names import Names, names_of
from service.pages.wording import hours, number, percent
from workers.model.shop import Shop
from workers.planning.coverage import CalibrationState, Coverage, CoverageCell, Errand

ROWS_SHOWN = 60  # pairings in the table; the file holds all
LEFT, COLUMN, HEAD, ROW, MACHINE = 140.0, 98.0, 42.0, 42.0, 22.0  # of the drawing, in user units
LETTERS = 14  # a material's name is broken into two lines of so many
ORDER = (CalibrationState.FRESH, CalibrationState.AGEING, CalibrationState.STALE, CalibrationState.NONE)
STATE_WORDS: Mapping[CalibrationState, str] = {
    CalibrationState.FRESH: "fresh",
    CalibrationState.AGEING: "ageing",
    CalibrationState.STALE: "stale",
    CalibrationState.NONE: "none",
}
GATE_WORDS = "not possible"


@dataclass(frozen=True, slots=True)
class Mark:
    """One pairing in the drawing. state: of its calibration, or "barred"; waits: "" where nothing does."""

    x: float
    y: float
    state: str
    words: str
    waits: str


@dataclass(frozen=True, slots=True)
class Label:
    """Text in the drawing, in one line or two."""

    x: float
    y: float
    lines: tuple[str, ...]
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Matrix:
    width: float
    height: float
    columns: tuple[Label, ...]
    rows: tuple[Label, ...]
    marks: tuple[Mark, ...]
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PairingRow:
    pairing: str
    machine_id: str
    state: str
    words: str
    cell: CoverageCell


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrandRow:
    """takes: hours and grams in words; "" where the piece cannot be printed there now."""

    pairing: str
    state: str
    words: str
    takes: str
    errand: Errand


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverageView:
    """unnamed: pairings that the table leaves to the file."""

    coverage: Coverage
    headline: str
    hangs: Panel | None
    matrix: Matrix | None
    pairings: tuple[PairingRow, ...]
    unnamed: int
    to_do: tuple[ErrandRow, ...]


def coverage_view(coverage: Coverage, shop: Shop) -> CoverageView:
    names = names_of(shop)
    told = [one for one in coverage.cells if _tells(one)]
    told.sort(key=lambda one: (-one.waiting_h, -one.past_h, ORDER.index(one.state)))
    return CoverageView(
        coverage=coverage,
        headline=_headline(coverage),
        hangs=_hangs(coverage.cells),
        matrix=_matrix(coverage.cells, names) if coverage.cells else None,
        pairings=tuple(_pairing(one, names) for one in told[:ROWS_SHOWN]),
        unnamed=len(coverage.cells) - len(told[:ROWS_SHOWN]),
        to_do=tuple(_errand(one, names) for one in coverage.to_do),
    )


def _tells(cell: CoverageCell) -> bool:
    return cell.state is not CalibrationState.NONE or cell.waiting_jobs > 0 or cell.past_prints > 0


def _headline(coverage: Coverage) -> str:
    waiting = sum(one.waiting_h for one in coverage.cells)
    if not waiting:
        return "Nothing waits on the lists, so no calibration is missed now."
    bare = sum(one.waiting_h for one in coverage.cells if not _counts(one))
    if not bare:
        return f"All {hours(waiting)} that wait are on pairings whose calibration counts."
    share = f"{hours(bare)} ({percent(bare / waiting)})"
    return f"Of {hours(waiting)} that wait, {share} are on pairings without a calibration that counts."


def _counts(cell: CoverageCell) -> bool:
    return cell.state in (CalibrationState.FRESH, CalibrationState.AGEING)


def _hangs(cells: Sequence[CoverageCell]) -> Panel | None:
    """Hours that wait, by the calibration of where they wait; None where nothing waits."""
    total = sum(one.waiting_h for one in cells)
    if total <= 0.0:
        return None
    waiting = {state: sum(one.waiting_h for one in cells if one.state is state) for state in ORDER}
    parts = [
        Part(STATE_WORDS[state], h / total, f"hangs-{state}", hours(h) if h else "nothing")
        for state, h in waiting.items()
    ]
    return parts_panel("hangs", "Hours that wait, by the calibration of where they wait", parts)


def _matrix(cells: Sequence[CoverageCell], names: Names) -> Matrix:
    """Materials across; down, each machine with the nozzles that are mounted on it under its name."""
    materials = list(dict.fromkeys(one.material_id for one in cells))
    at_x = {material_id: LEFT + COLUMN * i for i, material_id in enumerate(materials)}
    rows, at_y, y = [], {}, HEAD
    for machine_id in dict.fromkeys(one.machine_id for one in cells):
        rows.append(Label(0.0, y + 15.0, (names[machine_id],), strong=True))
        y += MACHINE
        for nozzle_id in dict.fromkeys(one.nozzle_id for one in cells if one.machine_id == machine_id):
            rows.append(Label(10.0, y + 16.0, _two_lines(names[nozzle_id], 18)))
            at_y[machine_id, nozzle_id] = y
            y += ROW
    return Matrix(
        width=LEFT + COLUMN * len(materials),
        height=y,
        columns=tuple(Label(at_x[one], 12.0, _two_lines(names[one])) for one in materials),
        rows=tuple(rows),
        marks=tuple(_mark(one, at_x[one.material_id], at_y[one.machine_id, one.nozzle_id]) for one in cells),
        said=_said(cells),
    )


def _mark(cell: CoverageCell, x: float, y: float) -> Mark:
    waits = f"{number(cell.waiting_h, 1)} h" if cell.waiting_jobs else ""
    if cell.refused_by is not None:
        return Mark(x, y, "barred", "", waits)
    return Mark(x, y, cell.state.value, STATE_WORDS[cell.state], waits)


def _said(cells: Sequence[CoverageCell]) -> str:
    possible = [one for one in cells if one.refused_by is None]
    counted = (f"{sum(one.state is state for one in possible)} {STATE_WORDS[state]}" for state in ORDER)
    return f"Of {len(possible)} pairings that are possible: {', '.join(counted)}."


def _two_lines(name: str, most: int = LETTERS) -> tuple[str, ...]:
    """A name broken at a blank; what two lines do not hold is cut."""
    if len(name) <= most:
        return (name,)
    first = name[: most + 1].rpartition(" ")[0] or name[:most]
    rest = name[len(first) :].strip()
    return first, rest if len(rest) <= most else f"{rest[: most - 1]}…"


def _pairing(cell: CoverageCell, names: Names) -> PairingRow:
    barred = cell.refused_by is not None
    return PairingRow(
        pairing=_where(cell, names),
        machine_id=cell.machine_id,
        state="barred" if barred else cell.state.value,
        words=GATE_WORDS if barred else STATE_WORDS[cell.state],
        cell=cell,
    )


def _errand(one: Errand, names: Names) -> ErrandRow:
    takes = ""
    if one.hours is not None and one.material_g is not None:
        takes = f"{hours(one.hours)}, {number(one.material_g, 0)}\N{NO-BREAK SPACE}g"
    return ErrandRow(
        pairing=_where(one, names), state=one.state.value, words=STATE_WORDS[one.state], takes=takes, errand=one
    )


def _where(one: CoverageCell | Errand, names: Names) -> str:
    return f"{names[one.machine_id]}, {names[one.nozzle_id]}, {names[one.material_id]}"
