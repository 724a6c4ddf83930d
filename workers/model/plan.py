"""A plan of the whole queue: what is asked for, and what comes of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isfinite

from workers.model.errors import InvalidError

PLAN = "plan"  # the kind of its long task


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanWeights:
    """What is minimised: the sum of each measure times its weight (engineering priors, the shop's to change).

    tardiness: an hour late of a job of weight 1. makespan: an hour until the last job ends. flow: an hour that
    a job is in the shop, from its release to its end. setup: an hour of setting up. failure: one unit of
    expected failure cost. quality: one unit of utility (its time score left out) that a job of weight 1 gives up
    against the best pairing for it.
    """

    tardiness: float = 1.0
    makespan: float = 0.5
    flow: float = 0.01
    setup: float = 0.2
    failure: float = 0.2
    quality: float = 10.0

    def __post_init__(self) -> None:
        values = (self.tardiness, self.makespan, self.flow, self.setup, self.failure, self.quality)
        if not all(isfinite(value) and value >= 0 for value in values):
            raise InvalidError("the weights of a plan are finite and not negative")
        if not any(values):
            raise InvalidError("at least one weight of a plan is above 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRequest:
    """job_ids: the jobs that may change machine, nozzle or material; the others only change their order. None: all."""

    weights: PlanWeights = field(default_factory=PlanWeights)
    seed: int = 1
    job_ids: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRun:
    """A job's waiting copies on one machine, one after the other. position: in the machine's list, from 1.

    hours: of all copies, failed ones counted in; setup_h: ahead of them. start_at, end_at: as expected when planned.
    pose: the build orientation, None where the part is taken as given. moved: another machine, nozzle or material than
    before (from_...); reordered: the same, but put ahead of or behind others there.
    """

    job_id: str
    name: str
    machine_id: str
    nozzle_id: str
    material_id: str
    position: int
    copies: int
    setup_h: float
    hours: float
    start_at: float
    end_at: float
    due_at: float | None
    expected_scrap: float
    from_machine_id: str
    from_nozzle_id: str
    from_material_id: str
    moved: bool
    reordered: bool
    pose: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MachinePlan:
    """One machine's order. kept: entries ahead of the runs that stay as they are (pinned, begun, or ahead of such).
    free_at: when these are done."""

    machine_id: str
    kept: int
    free_at: float
    runs: tuple[PlannedRun, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanFigures:
    """What an order of all planned jobs comes to. late_jobs: past their due date; weighted_lateness_h: by weight, jobs
    without a due date counted from the end of patience. last_end_h: hours until the last job ends. expected_scrap:
    failed copies; expected_scrap_cost: what they cost. quality_lost: utility given up. cost: all of it by the weights.
    """

    print_h: float = 0.0
    setup_h: float = 0.0
    setups: int = 0
    late_jobs: int = 0
    weighted_lateness_h: float = 0.0
    last_end_h: float = 0.0
    expected_scrap: float = 0.0
    expected_scrap_cost: float = 0.0
    quality_lost: float = 0.0
    cost: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanComparison:
    """The lists as they stand beside the plan. stranded_jobs: cannot be printed where they are now; today's figures
    are as if they could. moved_jobs, reordered_jobs: see PlannedRun."""

    today: PlanFigures
    planned: PlanFigures
    moved_jobs: int
    reordered_jobs: int
    stranded_jobs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A job on a list that the plan leaves where it is, and why."""

    job_id: str
    machine_id: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ListVersion:
    """A machine's dispatch list as it was."""

    machine_id: str
    version: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleCost:
    """What a dispatch rule alone would cost."""

    rule: str
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanResult:
    """bound: no plan costs less; gap: (cost - bound) / cost. method, bound_kind: what found and what proved it.

    rounds, seconds: of the search. rules: the cost by each dispatch rule, for comparison. shop_revision,
    list_versions and seen (the last event): what it was made from, and must still hold when it is applied.
    """

    planned_at: float
    method: str
    cost: float
    bound: float
    bound_kind: str
    gap: float
    rounds: int
    seconds: float
    cancelled: bool
    jobs: int
    pairings: int
    machines: tuple[MachinePlan, ...]
    comparison: PlanComparison
    left_out: tuple[LeftOut, ...]
    shop_revision: int
    list_versions: tuple[ListVersion, ...]
    seen: str
    rules: tuple[RuleCost, ...] = ()
