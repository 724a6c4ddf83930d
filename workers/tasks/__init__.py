"""The RQ entry points: thin. Load, call pure code, store. Tasks carry ids only; our own records are the truth."""

from workers.tasks.changes import follow_changes, watch_changes
from workers.tasks.claim_outcomes import record_outcome, record_outcomes, watch_claims
from workers.tasks.coverage import coverage_now
from workers.tasks.dispatch import bind_all
from workers.tasks.geometry import (
    GEOMETRY_QUEUE,
    analyse,
    analyse_next,
    reconcile_parts,
    ring_geometry,
    use_mesh_limits,
    warm_geometry,
)
from workers.tasks.line_up_studies import run_study  # noqa: F401
from workers.tasks.long_tasks import PLANNING_QUEUE, reconcile_long, ring_planning, run_long, run_next
from workers.tasks.moves import MoveWish, PlannedMove, plan_move
from workers.tasks.plan_application import StalePlanError, apply_plan
from workers.tasks.plans import run_plan
from workers.tasks.posed import PosedJob, posed_jobs
from workers.tasks.reports import machine_figures
from workers.tasks.routing import (
    ROUTING_QUEUE,
    consumer_name,
    drain,
    drain_and_bind,
    drain_inbox,
    helps_now,
    information_now,
    reconcile,
    remedies_now,
    ring,
    route_all,
    route_now,
)
from workers.tasks.trials import advance_trial, cancel_job, cancel_open_jobs, ended_jobs, watch_trials
from workers.tasks.webhooks import watch_webhooks

__all__ = [
    "GEOMETRY_QUEUE",
    "PLANNING_QUEUE",
    "ROUTING_QUEUE",
    "MoveWish",
    "PlannedMove",
    "PosedJob",
    "StalePlanError",
    "advance_trial",
    "analyse",
    "analyse_next",
    "apply_plan",
    "bind_all",
    "cancel_job",
    "cancel_open_jobs",
    "consumer_name",
    "coverage_now",
    "drain",
    "drain_and_bind",
    "drain_inbox",
    "ended_jobs",
    "follow_changes",
    "helps_now",
    "information_now",
    "machine_figures",
    "plan_move",
    "posed_jobs",
    "reconcile",
    "reconcile_long",
    "reconcile_parts",
    "record_outcome",
    "record_outcomes",
    "remedies_now",
    "ring",
    "ring_geometry",
    "ring_planning",
    "route_all",
    "route_now",
    "run_long",
    "run_next",
    "run_plan",
    "use_mesh_limits",
    "warm_geometry",
    "watch_changes",
    "watch_claims",
    "watch_trials",
    "watch_webhooks",
]
