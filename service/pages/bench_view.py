"""One machine as the pages show it: what prints, what waits and why there, and the hours ahead as a strip. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.pages.names import Names
from service.pages.wording import hours
from workers.model.dispatch import Claim, Listed, Timing
from workers.model.fleet import Machine, MachineState, Material, Nozzle, Spool
from workers.model.shop import Shop
from workers.planning.dispatch import Bench, bench_of
from workers.planning.finish_times import Z_90, timings
from workers.store.heads import Head

HORIZON_H = 24.0  # how far the strip looks ahead
STRIP = 360.0  # its width in user units
STRIP_JOBS = 8
LATE_FROM = 0.5  # chance of missing the due date from which a job is called late
AT_RISK_FROM = 0.1  # engineering prior: from here it is worth a look


@dataclass(frozen=True, slots=True)
class SlotView:
    """What sits at one slot of a machine; None: nothing."""

    slot: int
    nozzle: Nozzle | None
    spool: Spool | None
    material: Material | None


@dataclass(frozen=True, slots=True)
class Until:
    """A moment with its 90 % interval, epoch seconds."""

    at: float
    early: float
    late: float


@dataclass(frozen=True, slots=True)
class Printing:
    """The copy on the machine. progress: None where nobody told it."""

    claim: Claim
    name: str
    quantity: int
    until: Until | None
    progress: float | None


@dataclass(frozen=True, slots=True)
class Waiting:
    """One job of the list. position counts from 1; late: "late", "at risk" or "" against its due date."""

    position: int
    listed: Listed
    finish: Until
    late: str
    risk: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Block:
    """One job on the strip, in user units from now on the left."""

    x: float
    width: float
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchView:
    """total: jobs on the list, of which ``looked_at`` were read; late: of these, those that are called late."""

    machine: Machine
    up: bool
    slots: tuple[SlotView, ...]
    printing: Printing | None
    waiting: tuple[Waiting, ...]
    total: int
    looked_at: int
    late: int
    free_at: float | None
    version: int
    strip: tuple[Block, ...]
    said: str


def bench_view(shop: Shop, machine: Machine, head: Head, names: Names, now: float, shown: int) -> BenchView:
    """``shown``: jobs that wait and are named."""
    listed = head.list.listed
    bench = bench_of(shop, machine, listed, head.list.claim, now)
    times = timings(bench, listed)
    waiting = [_waiting(i, one, t, now, names) for i, (one, t) in enumerate(zip(listed, times, strict=True), 1)]
    waiting = [one for one in waiting if one.listed.waiting]
    printing = _printing(head.list.claim, listed, bench)
    return BenchView(
        machine=machine,
        up=machine.state is MachineState.UP,
        slots=slots_of(shop, machine),
        printing=printing,
        waiting=tuple(waiting[:shown]),
        total=head.total,
        looked_at=len(listed),
        late=sum(one.late == "late" for one in waiting),
        free_at=now + times[-1].finish_h * 3600.0 if times and head.total == len(listed) else None,
        version=head.list.version,
        strip=tuple(_blocks(bench, waiting, times, now)),
        said=_said(printing, waiting),
    )


def slots_of(shop: Shop, machine: Machine) -> tuple[SlotView, ...]:
    materials = {m.id: m for m in shop.materials}
    nozzles = {n.slot: n for n in shop.nozzles if n.machine_id == machine.id}
    spools = {s.slot: s for s in shop.spools if s.machine_id == machine.id}
    slots = []
    for slot in range(1, machine.nozzle_slots + 1):
        spool = spools.get(slot)
        slots.append(SlotView(slot, nozzles.get(slot), spool, materials.get(spool.material_id) if spool else None))
    return tuple(slots)


def _printing(claim: Claim | None, listed: Sequence[Listed], bench: Bench) -> Printing | None:
    if claim is None:
        return None
    entry = next((one.entry for one in listed if one.entry.job_id == claim.job_id), None)
    if entry is None:
        return Printing(claim, claim.job_id, claim.copy, None, claim.progress or None)
    until = _until(
        bench.now, bench.busy_h, bench.busy_h - Z_90 * bench.busy_sd_h, bench.busy_h + Z_90 * bench.busy_sd_h
    )
    return Printing(claim, entry.name, entry.quantity, until, claim.progress or None)


def _waiting(position: int, one: Listed, timing: Timing, now: float, names: Names) -> Waiting:
    risk = timing.lateness_risk
    late = "" if risk is None or risk < AT_RISK_FROM else "late" if risk >= LATE_FROM else "at risk"
    finish = _until(now, timing.finish_h, timing.finish_low_h, timing.finish_high_h)
    return Waiting(position, one, finish, late, risk, why_there(one, timing, names))


def why_there(one: Listed, timing: Timing, names: Names) -> str:
    """What its place rests on, in a few words."""
    entry, said = one.entry, []
    if entry.pinned:
        said.append("pinned by hand")
    if entry.priority:
        said.append(f"priority {entry.priority}")
    setup = f"{hours(timing.setup_h)} of setup before it" if timing.setup_h else "no setup before it"
    said.append(setup)
    return f"{names[entry.nozzle_id]}, {names[entry.material_id]}: {', '.join(said)}"


def _until(now: float, mean_h: float, low_h: float, high_h: float) -> Until:
    return Until(*(now + 3600.0 * max(hours_from_now, 0.0) for hours_from_now in (mean_h, low_h, high_h)))


def _blocks(bench: Bench, waiting: Sequence[Waiting], times: Sequence[Timing], now: float) -> list[Block]:
    """The copy in the works, then the jobs that wait, as far as the horizon."""
    spans = [(0.0, bench.busy_h, "now")] if bench.busy_h > 0.0 else []
    for one in waiting[:STRIP_JOBS]:
        timing = times[one.position - 1]
        spans.append((timing.start_h, timing.finish_h, "late" if one.late == "late" else "next"))
    return [
        Block(STRIP * start / HORIZON_H, max(STRIP * (min(end, HORIZON_H) - start) / HORIZON_H - 1.0, 1.5), kind)
        for start, end, kind in spans
        if start < HORIZON_H
    ]


def _said(printing: Printing | None, waiting: Sequence[Waiting]) -> str:
    """The strip in words, for who cannot see it."""
    parts = [f"{printing.name} prints now"] if printing else ["nothing prints now"]
    parts += [f"then {one.listed.entry.name}" for one in waiting[:3]]
    return "; ".join(parts) + "."
