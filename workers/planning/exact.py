"""The cheapest schedule of a small problem, proved by going through all of them.

For every machine and set of jobs, labels (when it ends, what it costs, the last family) are extended job by job and
dominated ones dropped; then machines are put together. Exact for every weight, setup, release and due date.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from workers.planning.problem import Problem
from workers.planning.schedule import Sequences

JOBS_MAX = 9  # the work grows threefold with each job; 9 jobs on 3 machines take seconds (measured)


@dataclass(frozen=True, slots=True)
class Label:
    """A machine's order (or several machines' orders): the last end, the cost without the makespan's."""

    end: float
    cost: float
    order: tuple[int, ...]


class OutOfTimeError(Exception):
    """The enumeration did not come to its end."""


def cheapest(
    problem: Problem, *, seconds: float = float("inf"), cancelled: Callable[[], bool] | None = None
) -> Sequences | None:
    """The best sequences, or None if time ran out or it was cancelled. For at most JOBS_MAX jobs, or be patient."""
    until = time.monotonic() + seconds

    def check() -> None:
        if time.monotonic() > until or (cancelled is not None and cancelled()):
            raise OutOfTimeError

    try:
        return _cheapest(problem, check)
    except OutOfTimeError:
        return None


def _cheapest(problem: Problem, check: Callable[[], None]) -> Sequences:
    everything = (1 << problem.jobs) - 1
    together = {0: [Label(0.0, 0.0, ())]}
    for machine in range(problem.machines):
        alone = _machine_labels(problem, machine, check)
        together = _joined(together, alone, everything, check, last=machine == problem.machines - 1)
    best = min(together[everything], key=lambda label: label.cost + problem.weights.makespan * label.end)
    return tuple(
        tuple(pairing for pairing in best.order if problem.machine[pairing] == machine)
        for machine in range(problem.machines)
    )


def _machine_labels(problem: Problem, machine: int, check: Callable[[], None]) -> dict[int, list[Label]]:
    """For each set of jobs (as bits) that the machine can print, its undominated labels."""
    own = [int(pairing) for pairing in range(problem.pairings) if problem.machine[pairing] == machine]
    layer = {(0, -1): [Label(float(problem.free[machine]), 0.0, ())]}
    found: dict[int, list[Label]] = {0: [Label(0.0, 0.0, ())]}
    while layer:
        check()
        following: dict[tuple[int, int], list[Label]] = {}
        for (jobs, family), labels in layer.items():
            for pairing in own:
                bit = 1 << int(problem.job[pairing])
                if jobs & bit:
                    continue
                key = (jobs | bit, int(problem.family[pairing]))
                following.setdefault(key, []).extend(_next(problem, one, family, pairing) for one in labels)
        layer = {key: _undominated(labels) for key, labels in following.items()}
        for (jobs, _), labels in layer.items():
            found.setdefault(jobs, []).extend(labels)
    return {jobs: _undominated(labels) for jobs, labels in found.items()}


def _next(problem: Problem, label: Label, family: int, pairing: int) -> Label:
    by, machine = problem.weights, problem.machine[pairing]
    job, needed = problem.job[pairing], problem.family[pairing]
    setup = problem.first[machine, needed] if family < 0 else problem.setup[machine, family, needed]
    end = float(max(label.end + setup, problem.release[job]) + problem.hours[pairing])
    cost = by.setup * setup + by.failure * problem.failure[pairing] + by.flow * (end - problem.release[job])
    if by.tardiness and end > problem.due[job]:
        cost += by.tardiness * problem.weight[job] * (end - problem.due[job])
    return Label(end, label.cost + float(cost), (*label.order, pairing))


def _undominated(labels: list[Label]) -> list[Label]:
    """Those for which no other ends as early and costs as little."""
    kept: list[Label] = []
    for label in sorted(labels, key=lambda one: (one.end, one.cost)):
        if not kept or label.cost < kept[-1].cost - 1e-12:
            kept.append(label)
    return kept


def _joined(
    together: dict[int, list[Label]],
    alone: dict[int, list[Label]],
    everything: int,
    check: Callable[[], None],
    *,
    last: bool,
) -> dict[int, list[Label]]:
    """Labels of the machines so far and one more. The last machine takes all that is left."""
    joined: dict[int, list[Label]] = {}
    for done, labels in together.items():
        check()
        left = everything & ~done
        for jobs in (left,) if last else _subsets(left):
            if jobs in alone:
                both = joined.setdefault(done | jobs, [])
                both.extend(_both(one, two) for one in labels for two in alone[jobs])
    return {jobs: _undominated(labels) for jobs, labels in joined.items()}


def _both(one: Label, two: Label) -> Label:
    return Label(max(one.end, two.end), one.cost + two.cost, one.order + two.order)


def _subsets(jobs: int) -> list[int]:
    subsets, subset = [0], jobs
    while subset:
        subsets.append(subset)
        subset = (subset - 1) & jobs
    return subsets
