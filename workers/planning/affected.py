"""Which bound jobs a change in the shop concerns, and whether moving one is worth it. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from workers.model.dispatch import DispatchList, Entry, Listed
from workers.model.record import Event
from workers.model.routing import Candidate
from workers.planning.dispatch import weight_of
from workers.planning.where import WORTH, WORTH_H, as_good, cheapest, given_up, shortlist

# Engineering priors.
REST_S = 1800.0  # a job that was moved is not moved again for less than need within this time
SHORT_G = 250.0  # filament left on a spool below which its use concerns the jobs in that material

MACHINE_KINDS = frozenset({"machine.down", "machine.changed", "machine.deleted"})
NOZZLE_KINDS = frozenset({"nozzle.unmounted", "nozzle.changed", "nozzle.used", "nozzle.deleted"})
SPOOL_KINDS = frozenset({"spool.unloaded", "spool.changed", "spool.used", "spool.deleted"})
CALIBRATION_KINDS = frozenset({"calibration.created", "calibration.changed", "calibration.deleted"})
EVIDENCE_KINDS = frozenset({"outcome.learnt", "outcome.confirmed", "outcome.withdrawn"})
CHANCE_KINDS = frozenset({"machine.up", "machine.created", "machine.changed", "nozzle.mounted"})


ELSEWHERE = "elsewhere"


@dataclass(frozen=True, slots=True)
class Cause:
    """One change, and the thing that it is about: the jobs bound to it are concerned.

    A calibration or an outcome is about its material on any machine. ``ELSEWHERE`` names a machine that can now do
    more: it concerns the jobs bound to others.
    """

    field: str  # machine_id, nozzle_id, material_id or ELSEWHERE
    value: str
    words: str


def causes_of(events: Iterable[Event]) -> list[Cause]:
    """The changes that can take a job from where it is bound, or make another place better."""
    found = (cause for event in events for cause in _causes(event))
    return list(dict.fromkeys(found))


def learnt_by_material(events: Iterable[Event]) -> dict[str, Cause]:
    """Material id -> the last outcome in it that changed the evidence."""
    found = {}
    for event in events:
        material_id = str(event.data.get("material_id", ""))
        if event.kind in EVIDENCE_KINDS and material_id:
            found[material_id] = Cause("material_id", material_id, f"{event.subject} {event.kind.partition('.')[2]}")
    return found


def _causes(event: Event) -> Iterator[Cause]:
    kind, thing_id = event.kind, event.subject.partition("/")[2]
    words = f"{event.subject} {kind.partition('.')[2]}"
    material_id = str(event.data.get("material_id", ""))
    if kind in MACHINE_KINDS:
        yield Cause("machine_id", thing_id, words)
    if kind in NOZZLE_KINDS:
        yield Cause("nozzle_id", thing_id, words)
    if kind in CALIBRATION_KINDS and material_id:
        yield Cause("material_id", material_id, words)
    if kind in SPOOL_KINDS and material_id and not _plenty_is_left(event):
        yield Cause("material_id", material_id, words)
    if kind in CHANCE_KINDS and event.data.get("state") != "down":
        machine_id = str(event.data.get("machine_id", "")) if kind == "nozzle.mounted" else thing_id
        yield Cause(ELSEWHERE, machine_id, words)
        if kind == "nozzle.mounted":
            yield Cause("machine_id", machine_id, words)


def _plenty_is_left(event: Event) -> bool:
    return event.kind == "spool.used" and float(event.data.get("remaining_g", 0.0)) > SHORT_G


def affected(lists: Iterable[DispatchList], causes: Iterable[Cause]) -> list[tuple[str, Listed, Cause]]:
    """Machine, job and cause of each job that is concerned, does not print and is not pinned."""
    causes = list(causes)
    found = []
    for one in lists:
        for listed in one.listed:
            cause = next((cause for cause in causes if _concerns(cause, one.machine_id, listed.entry)), None)
            if cause is not None and not listed.held and not listed.entry.pinned:
                found.append((one.machine_id, listed, cause))
    return found


def _concerns(cause: Cause, machine_id: str, entry: Entry) -> bool:
    if cause.field == ELSEWHERE:
        return cause.value != machine_id
    where = {"machine_id": machine_id, "nozzle_id": entry.nozzle_id, "material_id": entry.material_id}
    return where[cause.field] == cause.value


@dataclass(frozen=True, slots=True)
class Better:
    """A better place for a bound job, and why."""

    candidate: Candidate
    reason: str


def better_place(
    ranked: Sequence[Candidate],
    here: Candidate | None,
    listed: Listed,
    now: float,
    cost: Callable[[Candidate], float] = lambda _: 0.0,
    busy_h: Callable[[Candidate], float] = lambda _: 0.0,
) -> Better | None:
    """Where the job should go of the candidates that can be printed now; None where it stays.

    here: the candidate that it is bound to, None where it cannot be printed there any more. cost: weighted hours that
    the job costs the lists with a candidate. busy_h: hours until a candidate's machine is through its list. The job
    moves for need, for a gain in utility above ``WORTH``, or where as good a machine saves more than ``WORTH_H``; and
    not again for less than need within ``REST_S``. A job of which copies have ended moves for need only: its copies are
    to be alike.
    """
    entry = listed.entry
    options = shortlist(as_good(ranked, lambda _: True), busy_h)
    if not options:
        return None
    weight = weight_of(entry)
    best, least, _ = cheapest(options, weight, cost)
    if here is None:
        return Better(best, "it cannot be printed where it was")
    rested = entry.moved_at is None or now - entry.moved_at >= REST_S
    begun = listed.accepted or listed.scrapped
    if begun or not rested or pairing_of(best) == pairing_of(here):
        return None
    stood = replace(here, utility=here.utility + entry.conceded)  # a plan knew what it gave up there, and why
    if ranked[0].utility - stood.utility > WORTH:
        return Better(best, f"gain {best.utility - here.utility:.2f} in utility")
    saved = cost(here) + given_up(ranked[0], stood, weight) - least
    if saved > WORTH_H:
        return Better(best, f"saves {saved:.1f} weighted hours late, waited and set up")
    return None


def pairing_of(candidate: Candidate) -> tuple[str, str, str]:
    return candidate.machine_id, candidate.nozzle_id, candidate.material_id
