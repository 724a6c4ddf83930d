"""The planning problem as plain arrays: jobs, machines, pairings, setups, dates and what each hour costs.

Hours count from the moment of planning (0). A job prints once, on one of its pairings; a pairing stands for
one (machine, nozzle, material) with its best bead, so a job may have several on one machine.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from workers.model.errors import InvalidError
from workers.model.plan import PlanWeights

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MAKESPAN_ONLY = PlanWeights(tardiness=0.0, makespan=1.0, flow=0.0, setup=0.0, failure=0.0, quality=0.0)

__all__ = ["MAKESPAN_ONLY", "Floats", "Ints", "PlanWeights", "Problem", "from_matrix"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """J jobs, M machines, F families (what a machine must be set up for: material and nozzle), P pairings.

    job, machine, family: (P,) ints, sorted by job; hours, failure: (P,) printing hours and expected cost of
    failure, or whatever else choosing it costs. setup: (M, F, F) hours from the family in the first index to that in
    the second; first: (M, F) hours from the machine's present state. release, due (inf: none), weight: (J,).
    free: (M,) hours until the machine is free. A setup may be done before the job is released. Raises InvalidError.
    """

    jobs: int
    machines: int
    job: Ints
    machine: Ints
    family: Ints
    hours: Floats
    failure: Floats
    setup: Floats
    first: Floats
    release: Floats
    due: Floats
    weight: Floats
    free: Floats
    weights: PlanWeights = field(default_factory=PlanWeights)

    def __post_init__(self) -> None:
        _require_shapes(self)
        _require_ranges(self)
        missing = np.setdiff1d(np.arange(self.jobs), self.job)
        if missing.size:
            raise InvalidError(f"job {missing[0]} has no pairing: leave it out of the plan")

    @property
    def families(self) -> int:
        return int(self.first.shape[1])

    @property
    def pairings(self) -> int:
        return len(self.job)

    @property
    def has_setups(self) -> bool:
        return bool(self.setup.any() or self.first.any())

    @property
    def has_order(self) -> bool:
        """Whether the order on a machine matters at all: if not, the plan is an assignment."""
        dated = self.weights.tardiness > 0 and bool(np.isfinite(self.due[self.weight > 0]).any())
        return self.has_setups or dated or self.weights.flow > 0 or bool(self.release.any())


def from_matrix(
    hours: ArrayLike,
    *,
    setup: ArrayLike | None = None,
    first: ArrayLike | None = None,
    family: ArrayLike | None = None,
    failure: ArrayLike = 0.0,
    release: ArrayLike = 0.0,
    due: ArrayLike = np.inf,
    weight: ArrayLike = 1.0,
    free: ArrayLike = 0.0,
    weights: PlanWeights = MAKESPAN_ONLY,
) -> Problem:
    """A problem with one pairing a (job, machine): hours (J, M), inf where the job cannot print there.

    family: (J,) or (J, M); left out, each job is its own family when setups are given, else all are one.
    """
    matrix = np.asarray(hours, dtype=np.float64)
    if matrix.ndim != 2:
        raise InvalidError("hours is a matrix, jobs by machines")
    jobs, machines = matrix.shape
    kinds = _families(family, jobs, machines, own=setup is not None or first is not None)
    count = _family_count(kinds, setup, first)
    job, machine = np.nonzero(np.isfinite(matrix))
    return Problem(
        jobs=jobs,
        machines=machines,
        job=job.astype(np.int64),
        machine=machine.astype(np.int64),
        family=kinds[job, machine],
        hours=matrix[job, machine],
        failure=_full(failure, (jobs, machines))[job, machine],
        setup=_full(0.0 if setup is None else setup, (machines, count, count)),
        first=_full(0.0 if first is None else first, (machines, count)),
        release=_full(release, (jobs,)),
        due=_full(due, (jobs,)),
        weight=_full(weight, (jobs,)),
        free=_full(free, (machines,)),
        weights=weights,
    )


def _families(family: ArrayLike | None, jobs: int, machines: int, *, own: bool) -> Ints:
    if family is None:
        kinds = np.arange(jobs) if own else np.zeros(jobs, dtype=np.int64)
    else:
        kinds = np.asarray(family, dtype=np.int64)
    if kinds.ndim == 1:
        kinds = kinds[:, None]
    return np.ascontiguousarray(np.broadcast_to(kinds, (jobs, machines)), dtype=np.int64)


def _family_count(kinds: Ints, setup: ArrayLike | None, first: ArrayLike | None) -> int:
    """As many as the tables have columns, or as are named."""
    for table in (setup, first):
        if table is not None and np.ndim(table):
            return int(np.shape(table)[-1])
    return int(kinds.max()) + 1


def _full(values: ArrayLike, shape: tuple[int, ...]) -> Floats:
    return np.ascontiguousarray(np.broadcast_to(np.asarray(values, dtype=np.float64), shape))


def _require_shapes(problem: Problem) -> None:
    jobs, machines, pairings = problem.jobs, problem.machines, len(problem.job)
    if jobs < 1 or machines < 1:
        raise InvalidError("a plan needs at least one job and one machine")
    families = problem.first.shape[-1]
    wanted = {
        "machine": (pairings,),
        "family": (pairings,),
        "hours": (pairings,),
        "failure": (pairings,),
        "setup": (machines, families, families),
        "first": (machines, families),
        "release": (jobs,),
        "due": (jobs,),
        "weight": (jobs,),
        "free": (machines,),
    }
    for name, shape in wanted.items():
        if getattr(problem, name).shape != shape:
            raise InvalidError(f"{name} has the shape {getattr(problem, name).shape}, not {shape}")


def _require_ranges(problem: Problem) -> None:
    for name, limit in (("job", problem.jobs), ("machine", problem.machines), ("family", problem.families)):
        values = getattr(problem, name)
        if values.size and not (values.min() >= 0 and values.max() < limit):
            raise InvalidError(f"{name} counts from 0 to {limit - 1}")
    if (np.diff(problem.job) < 0).any():
        raise InvalidError("pairings are sorted by job")
    for name in ("hours", "failure", "setup", "first", "release", "weight", "free"):
        values = getattr(problem, name)
        if not (np.isfinite(values).all() and (values >= 0).all()):
            raise InvalidError(f"{name} is finite and not negative")
    if np.isnan(problem.due).any() or np.isneginf(problem.due).any():
        raise InvalidError("due is a number of hours, or infinite")
