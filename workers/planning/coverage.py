"""Coverage: which pairings are calibrated, what hangs on them, and which gauge piece is worth printing next. Pure.

What a gauge piece is worth is the value of information of the routings (workers/routing/information.py), summed over
the jobs that were looked at.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from workers.learning.ageing import STALE_BELOW
from workers.model.dispatch import DispatchList
from workers.model.fleet import MachineState
from workers.model.outcome import Outcome
from workers.model.routing import Gate, InformationValue, Measure
from workers.model.shop import Shop
from workers.routing.pairing import Pairing, pairings_of

FRESH_FROM = 0.8  # engineering prior: weight from which a calibration is as good as new (58 days by age alone)
MOST = 20  # entries of the to-do list
Key = tuple[str, str, str]  # machine, nozzle, material


class CalibrationState(StrEnum):
    """By the weight that the calibration still has: fresh from 0.8, stale under 0.5."""

    FRESH = "fresh"
    AGEING = "ageing"
    STALE = "stale"
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverageCell:
    """A machine with a nozzle mounted on it, and a material.

    refused_by: the gate that keeps the material off it, whatever the job; causes: what took from the calibration's
    weight. waiting_*: copies on the machine's dispatch list; past_*: of the outcomes read.
    """

    machine_id: str
    nozzle_id: str
    material_id: str
    bore_mm: float
    state: CalibrationState
    weight: float
    age_d: float | None
    calibration_id: str | None
    causes: tuple[str, ...]
    refused_by: Gate | None
    waiting_jobs: int
    waiting_copies: int
    waiting_h: float
    past_prints: int
    past_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Errand:
    """A gauge piece to print and measure.

    expected_gain: utility that better choices bring, summed over the jobs; choices_changed: how many of them are
    expected to go elsewhere; for all jobs that wait, from those sampled, and the past ones sampled. hours: print and
    setup; measuring comes on top. hours, grams None: it cannot be printed there now.
    """

    rank: int
    machine_id: str
    nozzle_id: str
    material_id: str
    state: CalibrationState
    expected_gain: float
    choices_changed: float
    waiting_h: float
    past_h: float
    hours: float | None
    material_g: float | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """jobs_waiting: on dispatch lists; jobs_sampled: of them, for what measuring is worth, and past_sampled: jobs
    that are done, which stand for what will come; past_read: outcomes."""

    shop_revision: int
    as_of: float
    cells: tuple[CoverageCell, ...]
    to_do: tuple[Errand, ...]
    jobs_waiting: int
    jobs_sampled: int
    past_sampled: int
    past_read: int


@dataclass(frozen=True, slots=True)
class Demand:
    """What hangs on one pairing."""

    waiting_jobs: int = 0
    waiting_copies: int = 0
    waiting_h: float = 0.0
    past_prints: int = 0
    past_h: float = 0.0


def demand_of(lists: Iterable[DispatchList], outcomes: Iterable[Outcome]) -> dict[Key, Demand]:
    """By pairing: copies that wait on the lists, with their expected hours, and prints that were reported."""
    waiting: dict[Key, list[tuple[int, float]]] = defaultdict(list)
    for one in lists:
        for listed in (listed for listed in one.listed if listed.waiting > 0):
            key = (one.machine_id, listed.entry.nozzle_id, listed.entry.material_id)
            waiting[key].append((listed.waiting, listed.waiting * listed.entry.copy_h))
    past: dict[Key, list[float]] = defaultdict(list)
    for outcome in outcomes:
        past[outcome.machine_id, outcome.nozzle_id, outcome.material_id].append(_hours(outcome))
    return {
        key: Demand(
            waiting_jobs=len(waiting[key]),
            waiting_copies=sum(copies for copies, _ in waiting[key]),
            waiting_h=sum(hours for _, hours in waiting[key]),
            past_prints=len(past[key]),
            past_h=sum(past[key]),
        )
        for key in {*waiting, *past}
    }


def cells_of(shop: Shop, demand: Mapping[Key, Demand], now: float) -> tuple[CoverageCell, ...]:
    """Every machine with every nozzle mounted on it and every material, in the order of the shop."""
    materials = {material.id for material in shop.materials}
    return tuple(_cell(one, demand) for one in pairings_of(shop, materials, shop.nozzles, now))


def worth_of(values: Iterable[tuple[float, Sequence[InformationValue]]]) -> dict[Key, tuple[float, float]]:
    """Gain and choices changed by a gauge piece of each pairing, summed over the jobs sampled, each with the number of
    jobs that it stands for."""
    found: dict[Key, tuple[float, float]] = {}
    for stands_for, job in values:
        for one in (one for one in job if one.measure is Measure.GAUGE_PIECE):
            key = (one.machine_id, one.nozzle_id, one.material_id)
            gain, changed = found.get(key, (0.0, 0.0))
            found[key] = gain + stands_for * one.gain, changed + stands_for * one.chance_of_change
    return found


def ranked(cells: Sequence[CoverageCell], worth: Mapping[Key, tuple[float, float]]) -> list[CoverageCell]:
    """What is worth a gauge piece, most gain first; then what is used without a calibration that counts, by hours."""

    def order(cell: CoverageCell) -> tuple[float, float, float]:
        return -worth.get(key_of(cell), (0.0, 0.0))[0], -cell.waiting_h, -cell.past_h

    wanted = [cell for cell in cells if _is_wanted(cell, worth.get(key_of(cell), (0.0, 0.0))[0])]
    return sorted(wanted, key=order)[:MOST]


def errand(
    rank: int, cell: CoverageCell, worth: tuple[float, float], hours: float | None, grams: float | None, where: str
) -> Errand:
    """``where``: the pairing in words."""
    return Errand(
        rank=rank,
        machine_id=cell.machine_id,
        nozzle_id=cell.nozzle_id,
        material_id=cell.material_id,
        state=cell.state,
        expected_gain=worth[0],
        choices_changed=worth[1],
        waiting_h=cell.waiting_h,
        past_h=cell.past_h,
        hours=hours,
        material_g=grams,
        sentence=_sentence(cell, worth, hours, grams, where),
    )


def key_of(cell: CoverageCell) -> Key:
    return cell.machine_id, cell.nozzle_id, cell.material_id


def state_of(pairing: Pairing) -> CalibrationState:
    if pairing.calibration is None:
        return CalibrationState.NONE
    weight = pairing.standing.weight
    if weight >= FRESH_FROM:
        return CalibrationState.FRESH
    return CalibrationState.AGEING if weight >= STALE_BELOW else CalibrationState.STALE


def _cell(pairing: Pairing, demand: Mapping[Key, Demand]) -> CoverageCell:
    measured, standing = pairing.calibration, pairing.standing
    hangs = demand.get((pairing.machine.id, pairing.nozzle.id, pairing.material.id), Demand())
    refusal = pairing.refusal if pairing.machine.state is MachineState.UP else None  # down is for a while
    return CoverageCell(
        machine_id=pairing.machine.id,
        nozzle_id=pairing.nozzle.id,
        material_id=pairing.material.id,
        bore_mm=pairing.nozzle.bore_mm,
        state=state_of(pairing),
        weight=0.0 if measured is None else standing.weight,
        age_d=None if measured is None else standing.age_d,
        calibration_id=None if measured is None else measured.id,
        causes=() if measured is None else standing.causes,
        refused_by=None if refusal is None else refusal.gate,
        waiting_jobs=hangs.waiting_jobs,
        waiting_copies=hangs.waiting_copies,
        waiting_h=hangs.waiting_h,
        past_prints=hangs.past_prints,
        past_h=hangs.past_h,
    )


def _is_wanted(cell: CoverageCell, gain: float) -> bool:
    if cell.refused_by is not None:
        return False
    lacking = cell.state in (CalibrationState.NONE, CalibrationState.STALE)
    return gain > 0.0 or (lacking and cell.waiting_h + cell.past_h > 0.0)


def _hours(outcome: Outcome) -> float:
    if outcome.print_h is not None:
        return outcome.print_h
    return outcome.expected.print_h if outcome.expected is not None else 0.0


def _sentence(
    cell: CoverageCell, worth: tuple[float, float], hours: float | None, grams: float | None, where: str
) -> str:
    state = "no calibration" if cell.state is CalibrationState.NONE else f"its calibration is {cell.state}"
    takes = "it cannot be printed there now" if hours is None or grams is None else f"{hours:.1f} h and {grams:.0f} g"
    gain, changed = worth
    brings = (
        f"expected to move {changed:.1f} jobs, a gain of {gain:.3g} in utility" if gain > 0.0 else "moves no choice"
    )
    return (
        f"Gauge piece of {where} ({state}; {cell.waiting_h:.1f} h wait, {cell.past_h:.1f} h were printed): "
        f"{brings}; takes {takes}."
    )
