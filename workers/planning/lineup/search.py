"""Local search for a large shop: the neighbours that may be cheaper are tried, and now and then a step in the dark."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from workers.planning.lineup.moves import additions, moved, moves
from workers.planning.lineup.problem import LineUp, LineUpProblem, is_possible
from workers.planning.lineup.share import Shared, ascended, dual, shared

TRIED = 6  # neighbours looked at exactly before a line-up counts as the best of its neighbours (ours)
ASCENTS = 30  # steps by which a neighbour's bound is raised before it is looked at exactly (ours)
SHAKEN = 3  # random moves of a step in the dark (ours)
EPS = 1e-7  # relative; what is not cheaper by more is not cheaper


@dataclass(frozen=True, slots=True)
class Limit:
    """When to stop: at the clock, or when ``stop`` says so, or when the cost is at ``enough``."""

    until: float
    stop: Callable[[], bool] = lambda: False
    enough: Callable[[float], bool] = lambda cost: False

    def reached(self, cost: float) -> bool:
        return time.monotonic() > self.until or self.stop() or self.enough(cost)


def descend(problem: LineUpProblem, start: Shared, limit: Limit) -> Shared:
    """Walk to cheaper neighbours until none is found."""
    best = start
    while not limit.reached(best.cost):
        better = _better_neighbour(problem, best, limit)
        if better is None:
            return best
        best = better
    return best


def wander(problem: LineUpProblem, start: Shared, limit: Limit, *, seed: int, rounds: int) -> Shared:
    """Shake the best line-up a little and descend again, ``rounds`` times."""
    source, best = random.Random(seed), start  # nosec B311  # a seeded search, no secret
    for _ in range(rounds):
        if limit.reached(best.cost):
            break
        lineup = best.lineup
        for _ in range(SHAKEN):
            lineup = _shaken(problem, lineup, source)
        found = descend(problem, shared(problem, lineup, best.rent), limit)
        if found.cost < best.cost - EPS * abs(best.cost):
            best = found
    return best


def greedy(problem: LineUpProblem, lineup: LineUp = (), *, seconds: float = float("inf")) -> Shared:
    """Put on, one by one, the nozzle that saves most at today's rents, while one does; then stop. A baseline."""
    until, best = time.monotonic() + seconds, shared(problem, lineup)
    while time.monotonic() < until:
        adding = [move for move in additions(problem, best.lineup, best.rent) if move[0] < best.cost]
        tried = (shared(problem, moved(best.lineup, move), best.rent) for move in adding[:TRIED])
        found = next((one for one in tried if one.cost < best.cost), None)
        if found is None:
            return best
        best = found
    return best


def _better_neighbour(problem: LineUpProblem, best: Shared, limit: Limit) -> Shared | None:
    aim, tried = best.cost - EPS * abs(best.cost), 0
    for move in moves(problem, best.lineup, best.rent):
        if move[0] >= aim or tried == TRIED or limit.reached(best.cost):
            return None
        lineup = moved(best.lineup, move)
        if _is_dearer(problem, lineup, best, aim):
            continue
        tried += 1
        found = shared(problem, lineup, best.rent)
        if found.cost < aim:
            return found
    return None


def _is_dearer(problem: LineUpProblem, lineup: LineUp, best: Shared, aim: float) -> bool:
    """Whether a few steps of dual ascent already show that the line-up costs more than ``aim``."""
    at, rent, once = np.array(lineup, dtype=np.int64), best.rent, float(problem.once[list(lineup)].sum())
    for _ in range(ASCENTS):
        value, slope = dual(problem, at, rent)
        if value + once >= aim:
            return True
        higher = ascended(problem, rent, slope, aim - once - value)
        if higher is None:
            return False
        rent = higher
    return False


def _shaken(problem: LineUpProblem, lineup: LineUp, source: random.Random) -> LineUp:
    """A random mounting put on, in place of what is in its way."""
    k = source.randrange(problem.mountings)
    if k in lineup:
        return tuple(one for one in lineup if one != k)
    kept = list(lineup)
    for count, limit, of in (
        (problem.slots, problem.machine[k], problem.machine),
        (problem.pieces, problem.kind[k], problem.kind),
    ):
        same = [one for one in kept if of[one] == limit]
        if len(same) >= count[limit]:
            if not same:
                return lineup  # no slot or no piece at all
            kept.remove(source.choice(same))
    found = tuple(sorted([*kept, k]))
    return found if is_possible(problem, found) else lineup
