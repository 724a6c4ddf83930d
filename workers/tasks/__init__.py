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
)
from workers.tasks.moves import MoveWish, PlannedMove, plan_move
from workers.tasks.posed import PosedJob, posed_jobs
from workers.tasks.routing import (
    ROUTING_QUEUE,
    consumer_name,
    drain,
    drain_and_bind,
    drain_inbox,
    information_now,
    reconcile,
    ring,
    route_all,
    route_now,
)
from workers.tasks.trials import advance_trial, cancel_job, cancel_open_jobs, ended_jobs, watch_trials
from workers.tasks.webhooks import watch_webhooks

__all__ = [
    "GEOMETRY_QUEUE",
    "ROUTING_QUEUE",
    "MoveWish",
    "PlannedMove",
    "PosedJob",
    "advance_trial",
    "analyse",
    "analyse_next",
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
    "information_now",
    "plan_move",
    "posed_jobs",
    "reconcile",
    "reconcile_parts",
    "record_outcome",
    "record_outcomes",
    "ring",
    "ring_geometry",
    "route_all",
    "route_now",
    "use_mesh_limits",
    "watch_changes",
    "watch_claims",
    "watch_trials",
    "watch_webhooks",
]
