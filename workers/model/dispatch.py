"""Dispatch lists and claims: a routing on its way to the printed part."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from workers.model.routing import Candidate


class ClaimState(StrEnum):
    """held -> finished | given-back | lapsed. While its copy is free, a lapsed one can be held again or finish late."""

    HELD = "held"
    LAPSED = "lapsed"
    GIVEN_BACK = "given-back"
    FINISHED = "finished"


class CopyState(StrEnum):
    WAITING = "waiting"
    PRINTING = "printing"
    ACCEPTED = "accepted"
    SCRAPPED = "scrapped"


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutedJob:
    """A job that is routed, with what a dispatch list needs to know of it. others: ranked, as in its routing.

    accepted, scrapped: copies ended before.
    """

    job_id: str
    attempt: int
    name: str
    quantity: int
    priority: int
    handed_in_at: float
    chosen: Candidate
    due_at: float | None = None
    accepted: int = 0
    scrapped: int = 0
    others: tuple[Candidate, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What a dispatch list keeps of a job; it changes only when the job is moved.

    copy_h: expected machine hours of one good copy, failed ones counted in, without setup.
    spread: standard deviation of copy_h over copy_h, the same error for all copies (how well the time is foretold).
    retry_sd_h: standard deviation of one copy's hours from not knowing how many fail, independent between copies.
    pinned: nothing is put ahead of it and nothing moves it but a person.
    moved_at: when a change in the shop, or a plan, last moved it.
    conceded: utility that a plan gave up to have it here; a change must bring more than that to move it.
    """

    job_id: str
    name: str
    attempt: int
    quantity: int
    nozzle_id: str
    material_id: str
    copy_h: float
    spread: float
    retry_sd_h: float
    priority: int
    handed_in_at: float
    bound_at: float
    due_at: float | None = None
    pinned: bool = False
    moved_at: float | None = None
    conceded: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """An entry with where its copies stand. place: its sort key in the list, rising from the front."""

    entry: Entry
    place: float
    held: int = 0
    accepted: int = 0
    scrapped: int = 0

    @property
    def waiting(self) -> int:
        return self.entry.quantity - self.held - self.accepted - self.scrapped


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A time-limited right of one machine to print one copy. Copies count from 1.

    progress: 0 to 1, as last told. late: finished after its lease had lapsed. report: JSON as it was handed in.
    spool_id: what it prints from, None while none is named. version rises with every change (the ETag).
    """

    id: str
    state: ClaimState
    job_id: str
    copy: int
    machine_id: str
    nozzle_id: str
    material_id: str
    claimant: str
    lease_s: float
    taken_at: float
    expires_at: float
    version: int
    progress: float = 0.0
    ended_at: float | None = None
    accepted: bool | None = None
    late: bool = False
    reason: str = ""
    report: str = ""
    spool_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DispatchList:
    """The jobs bound to one machine, first to last. version: the ETag; rises with every change of it."""

    machine_id: str
    version: int
    listed: tuple[Listed, ...]
    claim: Claim | None = None  # what the machine prints now


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy:
    """One copy of a job that was begun at least once; what is not named here waits."""

    copy: int
    state: CopyState
    claim_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """When a job is expected to start and finish: hours from now, each with a 90 % interval.

    lateness_risk: chance of finishing after the due date; None without one. setup_h: change of nozzle or material
    before it. drying_h: hours that the machine then still waits for its filament to dry.
    """

    job_id: str
    setup_h: float
    start_h: float
    start_low_h: float
    start_high_h: float
    finish_h: float
    finish_low_h: float
    finish_high_h: float
    lateness_risk: float | None
    drying_h: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ListCost:
    """What an order costs: hours of setup, jobs expected late, hours late by weight, and all of it as one figure.

    weighted_lateness_h is an expectation over the doubt about each job's time.
    """

    setup_h: float
    late_jobs: int
    weighted_lateness_h: float
    total: float
