"""Dispatch rules: quick schedules, as baselines and as warm starts."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np

from workers.planning.problem import Floats, Ints, Problem
from workers.planning.schedule import Sequences, cost_of

# Scale factors tried (engineering prior): from looking hardly ahead to looking far ahead.
LOOK_AHEAD = (0.5, 2.0, 6.0)
SETUP_CARE = (0.2, 0.7, 2.0)
LARGE = 5_000_000  # jobs times pairings: one schedule then takes most of a second


def first_free(problem: Problem) -> Sequences:
    """The naive rule: jobs as they came, each to the machine that is free first, with its quickest pairing there."""
    shop = _Floor(problem)
    for job in np.argsort(problem.release, kind="stable"):
        own = np.flatnonzero(problem.job == job)
        clock = shop.clock[problem.machine[own]]
        shop.take(int(own[np.lexsort((problem.hours[own], clock))[0]]))
    return shop.sequences()


def first_done(problem: Problem) -> Sequences:
    """List scheduling: jobs as they came, each to the pairing on which it ends first, setup included."""
    shop = _Floor(problem)
    for job in np.argsort(problem.release, kind="stable"):
        own = np.flatnonzero(problem.job == job)
        shop.take(int(own[np.argmin(shop.ends(own))]))
    return shop.sequences()


def atcs_index(
    hours: Floats, due: Floats, weight: Floats, setup: Floats, now: Floats | float, scale: tuple[float, float]
) -> Floats:
    """Apparent tardiness cost with setups: (w / p) exp(-slack / (k1 p mean)) exp(-s / (k2 s mean)).

    scale: k1 times the mean printing hours, k2 times the mean setup (0: setups do not matter). A job without a due
    date is taken as without slack. Source: Lee, Bhaskaran & Pinedo 1997, IIE Transactions 29, 45-52.
    """
    slack = np.where(np.isfinite(due), np.maximum(due - hours - now, 0.0), 0.0)
    value = weight / np.maximum(hours, 1e-9) * np.exp(-slack / scale[0])
    if scale[1] > 0:
        value = value * np.exp(-setup / scale[1])
    result: Floats = value
    return result


def atcs(problem: Problem, k1: float, k2: float) -> Sequences:
    """The index on parallel machines: each job stands for its pairing that would end first; the highest goes first."""
    shop = _Floor(problem)
    scale = (max(k1 * float(problem.hours.mean()), 1e-9), k2 * mean_setup(problem))
    left = np.arange(problem.pairings)
    for _ in range(problem.jobs):
        ends = shop.ends(left)
        stand_in = left[_first_of_each(problem.job[left], ends)]
        job, machine = problem.job[stand_in], problem.machine[stand_in]
        now = np.maximum(shop.clock[machine], problem.release[job])
        setup, weight = shop.setups(stand_in), problem.weight[job]
        index = atcs_index(problem.hours[stand_in], problem.due[job], weight, setup, now, scale)
        chosen = int(stand_in[np.argmax(index)])
        shop.take(chosen)
        left = left[problem.job[left] != problem.job[chosen]]
    return shop.sequences()


def best_atcs(problem: Problem) -> Sequences:
    """The best of a small grid of scale factors; those that change nothing, or would take long, are not varied."""
    if problem.jobs * problem.pairings > LARGE:
        return atcs(problem, LOOK_AHEAD[1], SETUP_CARE[1])
    ahead = LOOK_AHEAD if np.isfinite(problem.due).any() else LOOK_AHEAD[:1]
    care = SETUP_CARE if problem.has_setups else SETUP_CARE[:1]
    return min((atcs(problem, k1, k2) for k1, k2 in product(ahead, care)), key=lambda one: cost_of(problem, one))


def mean_setup(problem: Problem) -> float:
    """Mean hours of a setup, from a machine's present state or between two different families."""
    apart = ~np.eye(problem.families, dtype=bool)
    between = problem.setup[:, apart]
    return float((between.sum() + problem.first.sum()) / (between.size + problem.first.size))


def _first_of_each(job: Ints, ends: Floats) -> Ints:
    """For each job (pairings sorted by job), the place of its earliest end."""
    begin = np.flatnonzero(np.diff(job, prepend=-1))
    least = np.minimum.reduceat(ends, begin)
    places = np.flatnonzero(ends == np.repeat(least, np.diff(begin, append=len(job))))
    first: Ints = places[np.flatnonzero(np.diff(job[places], prepend=-1))]
    return first


class _Floor:
    """Machines as they fill up."""

    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        self._orders: list[list[int]] = [[] for _ in range(problem.machines)]
        self._setups = problem.first.copy()  # (M, F) from the present state
        self.clock = problem.free.copy()

    def setups(self, pairings: Ints) -> Floats:
        found: Floats = self._setups[self._problem.machine[pairings], self._problem.family[pairings]]
        return found

    def ends(self, pairings: Ints) -> Floats:
        problem = self._problem
        start = self.clock[problem.machine[pairings]] + self.setups(pairings)
        ends: Floats = np.maximum(start, problem.release[problem.job[pairings]]) + problem.hours[pairings]
        return ends

    def take(self, pairing: int) -> None:
        machine = int(self._problem.machine[pairing])
        self.clock[machine] = self.ends(np.array([pairing]))[0]
        self._setups[machine] = self._problem.setup[machine, self._problem.family[pairing]]
        self._orders[machine].append(pairing)

    def sequences(self) -> Sequences:
        return frozen(self._orders)


def frozen(orders: Sequence[Sequence[int]]) -> Sequences:
    return tuple(tuple(int(pairing) for pairing in order) for order in orders)
