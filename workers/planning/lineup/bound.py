"""A lower bound on the cost of any line-up, by Lagrangian relaxation, and the line-ups that it leans towards.

That every entry is printed once is priced instead of demanded. Then each mounting, on its own, takes the entries that
are worth most an hour at these prices, as many as its machine has room for (a continuous knapsack), and the mountings
are chosen by what they earn, within slots and pieces: a transport problem, whose linear program has whole solutions.
Room is tied to the mounting, which makes this far stronger than a program that only limits the hours of machines; where
a machine has several slots, a rent keeps their hours together. Prices and rents move along the deflected subgradient,
by steps of Polyak's length towards a level that comes nearer (Fisher 1981, Management Science 27, 1-18; Brannlund 1995;
both from memory).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from workers.learning.arrays import floats
from workers.planning.lineup.problem import Floats, Ints, LineUpProblem

# Ours, by trial on a shop of 30 machines: all but the last change the speed only.
AIM = 0.03  # of the cost known: how far above the bound the level is at first
PATIENCE = 8  # steps without a better bound, after which the level comes half as near
KEEP = 0.5  # of the last direction in the next
AVERAGE = 0.05  # weight of the last choice in the running average of choices
AIM_MIN = 1e-5  # of the cost known: where to stop
ROUND_OFF = 1e-9  # relative, taken off the bound


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Relaxed:
    """No line-up costs less than value. wish: (K,) how often each mounting was chosen lately, 0 to 1."""

    value: float
    wish: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """The bound at some prices and rents, the choice there, and the slopes of prices and rents."""

    value: float
    chosen: Floats
    slope: Floats
    slope_rent: Floats


def relaxations(
    problem: LineUpProblem, own: Floats, rent: Floats, upper: Callable[[], float], *, seconds: float, steps: int
) -> Iterator[Relaxed]:
    """The best bound so far after each step. own (J,), rent (M,): those of a line-up that is shared out, to begin with.
    upper: the cost of the best line-up known."""
    until, knapsacks = time.monotonic() + seconds, _Knapsacks(problem)
    price, rent = np.minimum(own, problem.outside), np.where(problem.slots > 1, rent, 0.0)
    place, best, aim, waited = (price, rent), -np.inf, AIM * upper(), 0
    turn, turn_rent, wish = np.zeros_like(price), np.zeros_like(rent), np.zeros(problem.mountings)
    size = float(problem.hours[problem.cost < np.inf].mean()) * 10.0 if (problem.cost < np.inf).any() else 1.0
    for _ in range(steps):
        look = knapsacks.look(price, rent)
        waited += 1
        if look.value > best:
            waited = 0 if look.value > best + AIM_MIN * abs(best) else waited
            best, place = look.value, (price, rent)
        wish = (1.0 - AVERAGE) * wish + AVERAGE * look.chosen
        yield Relaxed(value=best - ROUND_OFF * max(1.0, abs(best)), wish=wish)
        if time.monotonic() > until or best >= upper() * (1.0 - ROUND_OFF) or aim < AIM_MIN * upper():
            return
        if waited >= PATIENCE:
            aim, waited = aim / 2.0, 0
            (price, rent), turn, turn_rent = place, 0.0 * turn, 0.0 * turn_rent
            look = knapsacks.look(price, rent)
        turn = KEEP * turn + (1.0 - KEEP) * look.slope
        turn_rent = KEEP * turn_rent + (1.0 - KEEP) * look.slope_rent
        length = float((turn**2).sum() + ((turn_rent / size) ** 2).sum())
        if length == 0.0:
            return
        move = (best + aim - look.value) / length
        price = np.clip(price + move * turn, 0.0, problem.outside)
        rent = np.clip(rent + move * turn_rent / size**2, 0.0, problem.overload)


class _Knapsacks:
    """All mountings' knapsacks at once: arrays (K, J)."""

    def __init__(self, problem: LineUpProblem) -> None:
        self.problem = problem
        useful = problem.cost < problem.outside[:, None]
        self.cost = np.ascontiguousarray(np.where(useful, problem.cost, np.inf).T)
        self.hours = np.ascontiguousarray(np.maximum(problem.hours, 1e-12).T)  # an hour divides by it
        self.room = problem.room[problem.machine][:, None]
        self.overload = problem.overload[problem.machine][:, None]
        self.shared = problem.slots > 1

    def look(self, price: Floats, rent: Floats) -> _Look:
        problem, beyond_rent = self.problem, self.overload - rent[self.problem.machine][:, None]
        worth = (price[None, :] - self.cost) / self.hours - rent[problem.machine][:, None]  # an hour's
        order = np.argsort(-worth, axis=1)
        worth = np.maximum(np.take_along_axis(worth, order, axis=1), 0.0)
        hours = np.where(worth > 0.0, np.take_along_axis(self.hours, order, axis=1), 0.0)
        before = np.cumsum(hours, axis=1) - hours
        within = np.clip(self.room - before, 0.0, hours)
        beyond = np.where(worth > beyond_rent, hours - within, 0.0)
        earned = (worth * within).sum(axis=1) + ((worth - beyond_rent) * beyond).sum(axis=1)
        chosen = choose(problem, problem.once - earned)
        value = float(price.sum() + (problem.once - earned) @ chosen - rent @ problem.room)
        at: Ints = np.flatnonzero(chosen)
        taken = (within[at] + beyond[at]) / np.where(hours[at] > 0.0, hours[at], 1.0)
        slope = 1.0 - np.bincount(order[at].ravel(), taken.ravel(), minlength=problem.entries)
        slope = np.where((price >= problem.outside) & (slope > 0.0), 0.0, slope)  # what is left is bought outside
        load = np.bincount(problem.machine[at], within[at].sum(axis=1), minlength=problem.machines)
        return _Look(value, chosen, floats(slope), floats(np.where(self.shared, load - problem.room, 0.0)))


def choose(problem: LineUpProblem, reduced: Floats) -> Floats:
    """The mountings (K,) of 0 or 1 whose reduced costs sum to the least, within slots and pieces."""
    from scipy.optimize import linprog
    from scipy.sparse import coo_array

    chosen = np.zeros(problem.mountings)
    wanted: Ints = np.flatnonzero(reduced < 0.0)
    if not wanted.size:
        return chosen
    own, ones = np.arange(wanted.size), np.ones(wanted.size)
    rows = np.concatenate([problem.machine[wanted], problem.machines + problem.kind[wanted]])
    shape = (problem.machines + problem.kinds, wanted.size)
    table = coo_array((np.concatenate([ones, ones]), (rows, np.concatenate([own, own]))), shape=shape).tocsr()
    limits = np.concatenate([problem.slots, problem.pieces])
    result = linprog(reduced[wanted], A_ub=table, b_ub=limits, bounds=(0.0, 1.0), method="highs-ds")
    if result.status != 0:
        raise ArithmeticError(f"choosing mountings failed: {result.message}")
    chosen[wanted] = np.round(result.x)
    return chosen
