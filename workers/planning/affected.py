"""Which bound jobs a change in the shop concerns, and whether moving one is worth it. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from workers.model.dispatch import DispatchList, Entry, Listed
from workers.model.record import Event
from workers.model.routing import Candidate, Routing

# Engineering priors.
WORTH = 0.1  # gain in utility (ln of the weighted scores: about 10 %) that pays for moving a job
REST_S = 1800.0  # a job that was moved is not moved again for less than need within this time
SHORT_G = 250.0  # filament left on a spool below which its use concerns the jobs in that material

MACHINE_KINDS = frozenset({"machine.down", "machine.changed", "machine.deleted"})
NOZZLE_KINDS = frozenset({"nozzle.unmounted", "nozzle.changed", "nozzle.used", "nozzle.deleted"})
SPOOL_KINDS = frozenset({"spool.unloaded", "spool.changed", "spool.used", "spool.deleted"})
CALIBRATION_KINDS = frozenset({"calibration.created", "calibration.changed", "calibration.deleted"})


@dataclass(frozen=True, slots=True)
class Cause:
    """One change, and the thing that it is about; a calibration is about its material on any machine."""

    field: str  # machine_id, nozzle_id or material_id
    value: str
    words: str


def causes_of(events: Iterable[Event]) -> list[Cause]:
    """The changes that can take a job from where it is bound, or make another place better."""
    found = (_cause(event) for event in events)
    return list(dict.fromkeys(cause for cause in found if cause is not None))


def _cause(event: Event) -> Cause | None:
    kind, thing_id = event.kind, event.subject.partition("/")[2]
    words = f"{event.subject} {kind.partition('.')[2]}"
    if kind in MACHINE_KINDS:
        return Cause("machine_id", thing_id, words)
    if kind in NOZZLE_KINDS:
        return Cause("nozzle_id", thing_id, words)
    material_id = str(event.data.get("material_id", ""))
    if kind in CALIBRATION_KINDS and material_id:
        return Cause("material_id", material_id, words)
    if kind in SPOOL_KINDS and material_id:
        plenty = kind == "spool.used" and float(event.data.get("remaining_g", 0.0)) > SHORT_G
        return None if plenty else Cause("material_id", material_id, words)
    return None


def affected(lists: Iterable[DispatchList], causes: Iterable[Cause]) -> list[tuple[str, Listed, Cause]]:
    """Machine, job and cause of each job that is concerned, has not started and is not pinned."""
    causes = list(causes)
    found = []
    for one in lists:
        for listed in one.listed:
            cause = next((cause for cause in causes if _concerns(cause, one.machine_id, listed.entry)), None)
            started = listed.held or listed.accepted or listed.scrapped
            if cause is not None and not started and not listed.entry.pinned:
                found.append((one.machine_id, listed, cause))
    return found


def _concerns(cause: Cause, machine_id: str, entry: Entry) -> bool:
    where = {"machine_id": machine_id, "nozzle_id": entry.nozzle_id, "material_id": entry.material_id}
    return where[cause.field] == cause.value


def better_place(routing: Routing, machine_id: str, entry: Entry, now: float) -> tuple[Candidate, float | None] | None:
    """Where the job should go, and the gain in utility (None: it cannot be printed where it is).

    None where it stays: it is where it is best, or the gain is not worth it, or it was moved a short while ago, or no
    machine can print it now.
    """
    chosen = routing.chosen
    if chosen is None:
        return None
    here = (machine_id, entry.nozzle_id, entry.material_id)
    if _pairing(chosen) == here:
        return None
    current = next((one for one in routing.others if _pairing(one) == here), None)
    if current is None:
        return chosen, None
    gain = chosen.utility - current.utility
    rested = entry.moved_at is None or now - entry.moved_at >= REST_S
    return (chosen, gain) if gain > WORTH + entry.conceded and rested else None


def _pairing(candidate: Candidate) -> tuple[str, str, str]:
    return candidate.machine_id, candidate.nozzle_id, candidate.material_id
