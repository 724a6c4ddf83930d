"""Coverage as the page shows it: the matrix as a plot, what hangs on each pairing, what to print next. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.pages.names import Names, names_of
from service.pages.plots.matrix import Mark, MatrixPlot, MatrixRow
from service.pages.plots.parts import Part, PartsPlot, parts_plot
from service.pages.wording import hours, number, percent
from workers.model.shop import Shop
from workers.planning.coverage import CalibrationState, Coverage, CoverageCell, Errand

ROWS_SHOWN = 60  # pairings in the table; the file holds all
ORDER = (CalibrationState.FRESH, CalibrationState.AGEING, CalibrationState.STALE, CalibrationState.NONE)
STATE_WORDS: Mapping[CalibrationState, str] = {
    CalibrationState.FRESH: "fresh",
    CalibrationState.AGEING: "ageing",
    CalibrationState.STALE: "stale",
    CalibrationState.NONE: "none",
}
GATE_WORDS = "not possible"
SHAPES = (
    "Full circle: fresh. Half: ageing. Crossed out: stale. Empty: none. Dash: not possible. Hours: what waits there."
)


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
    hangs: PartsPlot | None
    matrix: MatrixPlot | None
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


def _hangs(cells: Sequence[CoverageCell]) -> PartsPlot | None:
    """Hours that wait, by the calibration of where they wait; None where nothing waits."""
    total = sum(one.waiting_h for one in cells)
    if total <= 0.0:
        return None
    waiting = {state: sum(one.waiting_h for one in cells if one.state is state) for state in ORDER}
    parts = [
        Part(STATE_WORDS[state], h / total, f"hangs-{state}", hours(h) if h else "nothing")
        for state, h in waiting.items()
    ]
    return parts_plot("hangs", "Hours that wait, by the calibration of where they wait", parts)


def _matrix(cells: Sequence[CoverageCell], names: Names) -> MatrixPlot:
    """Materials across; down, each machine with the nozzles that are mounted on it under its name."""
    columns = {material_id: i for i, material_id in enumerate(dict.fromkeys(one.material_id for one in cells))}
    by_nozzle: dict[tuple[str, str], list[CoverageCell]] = {}
    for machine_id in dict.fromkeys(one.machine_id for one in cells):
        for one in cells:
            if one.machine_id == machine_id:
                by_nozzle.setdefault((machine_id, one.nozzle_id), []).append(one)
    rows, above = [], ""
    for (machine_id, nozzle_id), found in by_nozzle.items():
        marks = tuple(_mark(one, columns[one.material_id]) for one in found)
        rows.append(MatrixRow("" if machine_id == above else names[machine_id], names[nozzle_id], marks))
        above = machine_id
    return MatrixPlot(
        key="matrix",
        title="Calibration of each nozzle where it is mounted, in each material",
        words=f"{_said(cells)} {SHAPES}",
        columns=tuple(names[one] for one in columns),
        rows=tuple(rows),
    )


def _mark(cell: CoverageCell, column: int) -> Mark:
    waits = f"{number(cell.waiting_h, 1)} h" if cell.waiting_jobs else ""
    if cell.refused_by is not None:
        return Mark(column, "barred", "", waits)
    return Mark(column, cell.state.value, STATE_WORDS[cell.state], waits)


def _said(cells: Sequence[CoverageCell]) -> str:
    possible = [one for one in cells if one.refused_by is None]
    counted = (f"{sum(one.state is state for one in possible)} {STATE_WORDS[state]}" for state in ORDER)
    return f"Of {len(possible)} pairings that are possible: {', '.join(counted)}."


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
