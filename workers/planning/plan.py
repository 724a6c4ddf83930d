"""A plan of the whole queue: which job on which machine, with which pairing, when; and how good that can be."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from workers.model.errors import InvalidError
from workers.planning.companion import WORTH_S, Companion, cores
from workers.planning.exact import cheapest
from workers.planning.problem import Problem
from workers.planning.prover import Prover
from workers.planning.rules import best_atcs, first_done, first_free
from workers.planning.schedule import Measures, Run, Sequences, cost_of, measure, timeline
from workers.planning.search import Found, Limit, improve, insert_all

ENUMERABLE = 150_000  # 3 ** jobs * machines: up to here, going through everything takes about a second (measured)
RULES = {"first-done": first_done, "insertion": insert_all, "apparent-tardiness": best_atcs}
STARTS_SHARE = 0.3  # of the time, after which no further rule is begun
FIRST_SHARE = 0.08  # of the time, for the search before integer programs
WAIT_S = 0.05
OTHER_SEED = 1_000_003
LIGHT = 2_000_000  # setups to hand over; a larger table costs more time and memory than a companion gains
STARTING_S = 0.5  # that a companion needs before it searches
GRACE_S = 1.0  # that it may come late


Progress = Callable[[float, float, float], None]  # share of the time used, best cost so far, bound so far


class Method(StrEnum):
    """What found the plan."""

    ENUMERATION = "enumeration"
    INTEGER_PROGRAM = "integer-program"
    SEARCH = "search"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """bound: no plan costs less; gap: (cost - bound) / cost. rules: the cost by each dispatch rule, for comparison.

    rounds: of the search. cancelled: it was stopped early, and is what was found by then.
    """

    sequences: Sequences
    runs: tuple[Run, ...]
    measures: Measures
    method: Method
    bound: float
    bound_kind: str
    gap: float
    rules: dict[str, float]
    seconds: float
    rounds: int
    cancelled: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The queue as it stands today and as planned; moved: jobs that change machine."""

    now: Measures
    planned: Measures
    moved: int


def plan(
    problem: Problem,
    *,
    seconds: float,
    seed: int,
    current: Sequences | None = None,
    rounds: int | None = None,
    relaxed: Problem | None = None,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Plan:
    """Plan within about seconds, on two cores if there are two.

    current: today's orders, taken as one more start, so that the plan is never dearer. rounds: a limit for the search
    instead of the clock; then, unless the seconds run out first, equal problems and seeds give equal plans.
    relaxed: the same pairings where no schedule costs more than it really would; the bound is taken from it, for a
    problem whose own figures are not exact. progress: told of how far it is. cancelled: asked all the time; the best
    plan so far comes back. Raises InvalidError where current is not a schedule of all jobs.
    """
    if seconds <= 0:
        raise InvalidError("a plan needs more than 0 seconds")
    began = time.monotonic()
    starts = _starts(problem, current, began + STARTS_SHARE * seconds, cancelled)
    if relaxed is None and 3**problem.jobs * problem.machines <= ENUMERABLE:
        found = cheapest(problem, seconds=seconds / 2, cancelled=cancelled)
        if found is not None:
            return _enumerated(problem, found, starts, time.monotonic() - began)
    return _searched(problem, relaxed or problem, starts, began, seconds, seed, rounds, progress, cancelled)


def compare(problem: Problem, current: Sequences, planned: Plan) -> Comparison:
    """Hours, late jobs, setups and expected failures of today's orders beside the plan's. Raises InvalidError."""
    now = timeline(problem, current)
    machine = {run.job: run.machine for run in now}
    moved = sum(machine.get(run.job) != run.machine for run in planned.runs)
    return Comparison(now=measure(problem, now), planned=planned.measures, moved=moved)


def _starts(
    problem: Problem, current: Sequences | None, until: float, cancelled: Callable[[], bool] | None
) -> dict[str, Sequences]:
    """Today's orders and what the rules make, quick rules first; those there is no time for are left out."""
    starts = {"first-free": first_free(problem)}
    if current is not None:
        starts["current"] = current
    for name, rule in RULES.items():
        if time.monotonic() > until or (cancelled is not None and cancelled()):
            break
        starts[name] = rule(problem)
    return starts


def _enumerated(problem: Problem, found: Sequences, starts: dict[str, Sequences], seconds: float) -> Plan:
    cost = cost_of(problem, found)
    return _plan(problem, found, Method.ENUMERATION, (cost, "searched"), starts, (seconds, 0, False))


def _searched(
    problem: Problem,
    relaxed: Problem,
    starts: dict[str, Sequences],
    began: float,
    seconds: float,
    seed: int,
    rounds: int | None,
    progress: Progress | None,
    cancelled: Callable[[], bool] | None,
) -> Plan:
    """The search in this thread, bounds and integer programs in another; the cheaper of what they find.

    Where the order does not matter, integer programs are far better than the search, which then only gives the start.
    """
    start = min(starts.values(), key=lambda one: cost_of(problem, one))
    left = max(seconds - (time.monotonic() - began), 0.05)
    assigns = rounds is None and not problem.has_order
    limit = Limit(seconds=left * (FIRST_SHARE if assigns else 1.0), rounds=rounds)
    prover = Prover(relaxed, start, seconds=left, assigns=False)
    prover.start()
    told = None if progress is None else lambda share, cost: progress(share, cost, prover.bound.value)
    companion = None
    if rounds is None and not assigns and left >= WORTH_S and problem.setup.size <= LIGHT and cores() > 1:
        companion = Companion(problem, start, seed=seed + OTHER_SEED, seconds=left - STARTING_S)
    try:
        found = improve(
            problem, start, seed=seed, limit=limit, progress=told, cancelled=cancelled, enough=prover.proves
        )
        best, stopped = _better(problem, found, prover, companion), found.cancelled
    finally:
        if companion is not None:
            companion.stop()
    method = Method.SEARCH
    prover.finish(wait=not stopped and not prover.proves(cost_of(problem, best)))
    if assigns and not stopped and not prover.proves(cost_of(problem, best)):
        left = max(seconds - (time.monotonic() - began), 0.05)
        prover = Prover(problem, best, seconds=left, assigns=True)
        prover.start()
        stopped = _awaited(prover, left, cost_of(problem, best), progress, cancelled)
        prover.finish(wait=not stopped)
        if prover.better is not None:
            best, method = prover.better, Method.INTEGER_PROGRAM
    spent = (time.monotonic() - began, found.rounds, stopped)
    return _plan(problem, best, method, (prover.bound.value, prover.bound.kind), starts, spent)


def _better(problem: Problem, found: Found, prover: Prover, companion: Companion | None) -> Sequences:
    """The search's orders or the companion's; there is no waiting for it after a cancel or a proof."""
    cost = cost_of(problem, found.sequences)
    if companion is None or found.cancelled or prover.proves(cost):
        return found.sequences
    other = companion.result_within(GRACE_S)
    return other if other is not None and cost_of(problem, other) < cost else found.sequences


def _awaited(
    prover: Prover,
    seconds: float,
    cost: float,
    progress: Progress | None,
    cancelled: Callable[[], bool] | None,
) -> bool:
    """Wait for the prover; whether it was cancelled meanwhile."""
    began = time.monotonic()
    while not prover.done:
        if cancelled is not None and cancelled():
            return True
        if progress is not None:
            progress(min((time.monotonic() - began) / seconds, 1.0), cost, prover.bound.value)
        time.sleep(WAIT_S)
    return False


def _plan(
    problem: Problem,
    sequences: Sequences,
    method: Method,
    bound: tuple[float, str],
    starts: dict[str, Sequences],
    spent: tuple[float, int, bool],
) -> Plan:
    runs = timeline(problem, sequences)
    measures = measure(problem, runs)
    gap = max(measures.cost - bound[0], 0.0) / measures.cost if measures.cost > 0 else 0.0
    return Plan(
        sequences=sequences,
        runs=runs,
        measures=measures,
        method=method,
        bound=min(bound[0], measures.cost),
        bound_kind=str(bound[1]),
        gap=gap,
        rules={name: cost_of(problem, one) for name, one in starts.items()},
        seconds=spent[0],
        rounds=spent[1],
        cancelled=spent[2],
    )
