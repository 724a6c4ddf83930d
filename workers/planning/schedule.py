"""A schedule: the order of pairings on each machine, and the times and costs that follow from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from workers.model.errors import InvalidError
from workers.planning.problem import Problem

Sequences: TypeAlias = tuple[tuple[int, ...], ...]  # per machine, the pairings in their order


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One job on its machine. The setup ends where the printing starts at the earliest; hours from now."""

    job: int
    machine: int
    pairing: int
    setup_h: float
    start: float
    end: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Measures:
    """What a schedule comes to. cost: the weighted sum; hours: all printing and setting up."""

    cost: float
    makespan: float
    weighted_tardiness: float
    flow: float
    setup_h: float
    setups: int
    late_jobs: int
    failure: float
    hours: float


def timeline(problem: Problem, sequences: Sequence[Sequence[int]]) -> tuple[Run, ...]:
    """The runs of every machine in their order. Raises InvalidError where a pairing is on another machine."""
    return tuple(run for machine, order in enumerate(sequences) for run in _machine_runs(problem, machine, order))


def _machine_runs(problem: Problem, machine: int, order: Sequence[int]) -> list[Run]:
    runs: list[Run] = []
    clock, state = float(problem.free[machine]), -1
    for pairing in order:
        if problem.machine[pairing] != machine:
            raise InvalidError(f"pairing {pairing} does not belong to machine {machine}")
        family, job = int(problem.family[pairing]), int(problem.job[pairing])
        setup = float(problem.first[machine, family] if state < 0 else problem.setup[machine, state, family])
        start = max(clock + setup, float(problem.release[job]))
        clock, state = start + float(problem.hours[pairing]), family
        runs.append(Run(job=job, machine=machine, pairing=pairing, setup_h=setup, start=start, end=clock))
    return runs


def measure(problem: Problem, runs: Sequence[Run]) -> Measures:
    """What the runs come to. Raises InvalidError unless every job is there exactly once."""
    if sorted(run.job for run in runs) != list(range(problem.jobs)):
        raise InvalidError("a schedule holds every job exactly once")
    job = [run.job for run in runs]
    pairing = [run.pairing for run in runs]
    end = np.array([run.end for run in runs])
    late = np.maximum(end - problem.due[job], 0.0)
    makespan = float(end.max())
    tardiness = float((problem.weight[job] * late).sum())
    flow = float((end - problem.release[job]).sum())
    setup_h = float(sum(run.setup_h for run in runs))
    failure = float(problem.failure[pairing].sum())
    by = problem.weights
    return Measures(
        cost=by.tardiness * tardiness
        + by.makespan * makespan
        + by.flow * flow
        + by.setup * setup_h
        + by.failure * failure,
        makespan=makespan,
        weighted_tardiness=tardiness,
        flow=flow,
        setup_h=setup_h,
        setups=sum(run.setup_h > 0 for run in runs),
        late_jobs=int((late > 1e-9).sum()),
        failure=failure,
        hours=float(problem.hours[pairing].sum()) + setup_h,
    )


def cost_of(problem: Problem, sequences: Sequence[Sequence[int]]) -> float:
    return measure(problem, timeline(problem, sequences)).cost
