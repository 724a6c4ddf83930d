"""The RQ entry points: thin. Load, call pure code, store. Tasks carry ids only; our own records are the truth."""

from workers.tasks.dispatch import bind_all
from workers.tasks.geometry import (
    GEOMETRY_QUEUE,
    analyse,
    analyse_next,
    reconcile_parts,
    ring_geometry,
    use_mesh_limits,
)
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

__all__ = [
    "GEOMETRY_QUEUE",
    "ROUTING_QUEUE",
    "PosedJob",
    "analyse",
    "analyse_next",
    "bind_all",
    "consumer_name",
    "drain",
    "drain_and_bind",
    "drain_inbox",
    "information_now",
    "posed_jobs",
    "reconcile",
    "reconcile_parts",
    "ring",
    "ring_geometry",
    "route_all",
    "route_now",
    "use_mesh_limits",
]
