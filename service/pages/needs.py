"""What needs a hand, each thing in a sentence with the place to go, the most pressing first. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from service.pages.names import names_of
from workers.learning.ageing import hour_of
from workers.model.dispatch import DispatchList
from workers.model.fleet import MachineState, Spool
from workers.model.job import JobState
from workers.model.outcome import Outcome
from workers.model.record import Event, JobRecord
from workers.model.shop import Shop
from workers.process.moisture import hours_since
from workers.process.wear import WARN_SHARE, life_cm3, worn_share
from workers.routing.printed import pairing_named

NEARLY_EMPTY_G = 50.0  # engineering prior: less than most parts need
ALL_OF = {"Not calibrated": "/coverage"}  # where all of a kind are seen
NAMED = 3  # things of one kind that are named before the rest is only counted
ENDED_LAPSE = frozenset({"claim.taken", "claim.regained", "claim.finished"})


@dataclass(frozen=True, slots=True)
class Need:
    """One thing that needs a hand: what kind, said in a sentence, and where to go (path; None: nowhere)."""

    kind: str
    sentence: str
    href: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What the list is made from. stuck: jobs that are unroutable or failed; events: the newest, last one first."""

    shop: Shop
    counts: Mapping[JobState, int]
    stuck: Sequence[JobRecord]
    lists: Sequence[DispatchList]
    flagged: Sequence[Outcome]
    events: Sequence[Event]
    now: float


def needs_of(seen: Seen) -> tuple[Need, ...]:
    kinds = (
        _machines_down(seen.shop),
        _lapsed(seen),
        _stuck(seen),
        _flagged(seen),
        _wet(seen.shop, seen.now),
        _worn(seen.shop),
        _stale(seen),
        _short_spools(seen.shop),
        _uncalibrated(seen),
        _bare_machines(seen.shop),
    )
    return tuple(need for kind in kinds for need in _capped(kind))


def _capped(needs: Iterable[Need]) -> Iterator[Need]:
    """The first few of each kind; one more than shown is shown as well, since saying so takes the same room."""
    by_kind: dict[str, list[Need]] = {}
    for need in needs:
        by_kind.setdefault(need.kind, []).append(need)
    for kind, found in by_kind.items():
        if len(found) <= NAMED + 1:
            yield from found
        else:
            yield from found[:NAMED]
            yield Need(kind, f"{len(found) - NAMED} more.", ALL_OF.get(kind))


def _machines_down(shop: Shop) -> Iterator[Need]:
    for m in shop.machines:
        if m.state is not MachineState.UP:
            yield Need("Machine down", f"{m.name}: {m.state_reason or 'no reason was given'}.", f"/machines/{m.id}")


def _lapsed(seen: Seen) -> Iterator[Need]:
    """Copies whose claim lapsed and that nobody has taken up since, as far back as ``events`` go."""
    names, ended = names_of(seen.shop), set()
    jobs = {one.entry.job_id: one.entry.name for found in seen.lists for one in found.listed}
    for event in seen.events:
        if not event.kind.startswith("claim."):
            continue
        copy = (event.subject, event.data.get("copy"))
        if event.kind == "claim.lapsed" and copy not in ended:
            job_id, machine_id = event.subject.partition("/")[2], str(event.data.get("machine_id"))
            if job_id in jobs:
                said = f"{jobs[job_id]}, copy {copy[1]}, on {names[machine_id]}: nobody renewed it. Look at the bed."
                yield Need("Claim lapsed", said, f"/claims/{event.data.get('claim_id')}")
            ended.add(copy)
        elif event.kind in ENDED_LAPSE:
            ended.add(copy)


def _stuck(seen: Seen) -> Iterator[Need]:
    for state, kind in ((JobState.UNROUTABLE, "No way to print"), (JobState.FAILED, "Not worked out")):
        named = [job for job in seen.stuck if job.state is state][:NAMED]
        for job in named:
            yield Need(kind, job.spec.name, f"/jobs/{job.id}")
        rest = seen.counts.get(state, 0) - len(named)
        if rest > 0:
            yield Need(kind, f"{rest} more", f"/queue?state={state.value}")


def _flagged(seen: Seen) -> Iterator[Need]:
    names = names_of(seen.shop)
    for one in seen.flagged:
        yield Need("Out of line", f"{names[one.machine_id]}: {one.flags[0]}", f"/outcomes/{one.id}")


def _wet(shop: Shop, now: float) -> Iterator[Need]:
    materials, machines = {m.id: m for m in shop.materials}, {m.id: m for m in shop.machines}
    for spool in shop.spools:
        material, machine = materials.get(spool.material_id), machines.get(spool.machine_id or "")
        limit, hours = material.moisture_limit_h if material else None, hours_since(spool.dried_at, now)
        if material is None or machine is None or limit is None or hours is None or hours <= limit:
            continue
        said = f"{material.name} on {machine.name} was dried {hours:.0f} h ago and stands {limit:.0f} h"
        drying = ""
        if material.drying_temp_c is not None and material.drying_h is not None:
            drying = f"; dry it at {material.drying_temp_c:.0f} °C for {material.drying_h:.0f} h"
        yield Need("Wet spool", f"{said}{drying}.", f"/machines/{machine.id}")


def _worn(shop: Shop) -> Iterator[Need]:
    machines = {m.id: m for m in shop.machines}
    for nozzle in shop.nozzles:
        machine, share = machines.get(nozzle.machine_id or ""), worn_share(nozzle.tip, nozzle.abrasive_cm3)
        if machine is None or share < WARN_SHARE:
            continue
        life = life_cm3(nozzle.tip)
        said = (
            f"{nozzle.name} on {machine.name} has carried {nozzle.abrasive_cm3:.0f} of the {life:.0f} cm³ of abrasive"
        )
        yield Need("Worn nozzle", f"{said} filament it is good for (engineering prior).", f"/machines/{machine.id}")


def _stale(seen: Seen) -> Iterator[Need]:
    """Calibrations that count for less than half, of what is mounted and loaded now."""
    shop, names = seen.shop, names_of(seen.shop)
    spools = {(s.machine_id, s.slot): s.material_id for s in shop.spools}
    known = {(c.machine_id, c.nozzle_id, c.material_id) for c in shop.calibrations}
    for nozzle in shop.nozzles:
        key = (nozzle.machine_id or "", nozzle.id, spools.get((nozzle.machine_id, nozzle.slot), ""))
        if key not in known:
            continue
        standing = pairing_named(shop, *key, hour_of(seen.now)).standing
        if standing.stale:
            said = f"{', '.join(names[i] for i in key)}: {', '.join(standing.causes)}. Measure again."
            yield Need("Stale calibration", said, f"/machines/{nozzle.machine_id}")


def _short_spools(shop: Shop) -> Iterator[Need]:
    names = names_of(shop)
    for spool in shop.spools:
        if spool.remaining_g < NEARLY_EMPTY_G:
            left = "is empty" if spool.remaining_g <= 0 else f"holds {spool.remaining_g:.0f} g"
            where = f"/machines/{spool.machine_id}" if spool.machine_id is not None else None
            yield Need("Spool", f"{names[spool.material_id]} {_place(spool, names)} {left}.", where)


def _place(spool: Spool, names: Mapping[str, str]) -> str:
    return f"on {names[spool.machine_id]}" if spool.machine_id is not None else "on the shelf"


def _uncalibrated(seen: Seen) -> Iterator[Need]:
    """Pairings that listed jobs rely on and nobody has calibrated, those of most jobs first."""
    known = {(c.machine_id, c.nozzle_id, c.material_id) for c in seen.shop.calibrations}
    used: dict[tuple[str, str, str], int] = {}
    for found in seen.lists:
        for one in found.listed:
            key = (found.machine_id, one.entry.nozzle_id, one.entry.material_id)
            if key not in known:
                used[key] = used.get(key, 0) + 1
    names = names_of(seen.shop)
    for (m, n, a), jobs in sorted(used.items(), key=lambda item: (-item[1], item[0])):
        rely = "job relies" if jobs == 1 else "jobs rely"
        said = f"{names[m]}, {names[n]}, {names[a]}: {jobs} listed {rely} on it."
        yield Need("Not calibrated", said, f"/machines/{m}")


def _bare_machines(shop: Shop) -> Iterator[Need]:
    mounted = {n.machine_id for n in shop.nozzles}
    for m in shop.machines:
        if m.id not in mounted:
            yield Need("No nozzle", f"{m.name} has none mounted.", f"/machines/{m.id}")
