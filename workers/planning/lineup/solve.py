"""The best line-up that the time allows, and how much better any could be."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from workers.planning.lineup.alike import merged
from workers.planning.lineup.bound import Picked, choose, relaxations
from workers.planning.lineup.exact import is_small, prove
from workers.planning.lineup.problem import Floats, LineUp, LineUpProblem, is_possible
from workers.planning.lineup.search import Limit, descend, wander
from workers.planning.lineup.share import Shared, shared

CLOSE = 3e-6  # relative gap that counts as proved: what the solvers' own tolerances leave
RELAXED = 0.6  # share of the time after which the relaxation ends (ours)
NOISE = 0.3  # by which wishes are blurred when they are rounded again (ours)
ROUNDS = 20  # of rounding and shaking

Tell = Callable[[float], None]
Stop = Callable[[], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Solved:
    """No line-up costs less than bound. method: what found it. proved: the gap is what rounding leaves. picked: what
    the relaxation ended with, to begin the next with; of merged entries."""

    best: Shared
    bound: float
    method: str
    picked: Picked | None = None

    @property
    def gap(self) -> float:
        return max(self.best.cost - self.bound, 0.0) / self.best.cost if self.best.cost > 0 else 0.0

    @property
    def proved(self) -> bool:
        return self.gap <= CLOSE


def solve(
    problem: LineUpProblem,
    starts: tuple[LineUp, ...] = (),
    *,
    seconds: float,
    seed: int,
    stop: Stop = lambda: False,
    tell: Tell = lambda share: None,
    picked: Picked | None = None,
) -> Solved:
    """The cheapest line-up found from these starts, within about seconds. stop: asked often; then what there is comes
    back at once. picked: of a problem that differs in pieces and in what mountings cost once only."""
    until = time.monotonic() + seconds
    small = merged(problem)
    possible = [one for one in ((), *starts) if is_possible(small, one)]
    best = min((shared(small, one) for one in possible), key=lambda found: found.cost)
    found = _proved(small, best, seconds) if is_small(small) and not stop() else None
    if found is None or not found.proved:
        known = found or Solved(best=best, bound=0.0, method="search", picked=picked)
        found = _Search(small, known, until, seed, stop, tell).run()
    tell(1.0)
    if small is problem:
        return found
    whole = shared(problem, found.best.lineup, found.best.rent)
    return replace(found, best=whole, bound=min(found.bound, whole.cost))


def _proved(problem: LineUpProblem, best: Shared, seconds: float) -> Solved:
    result = prove(problem, seconds=seconds / 2.0)
    if result.lineup is not None:
        best = min(best, shared(problem, result.lineup, best.rent), key=lambda one: one.cost)
    return Solved(best=best, bound=min(result.bound, best.cost), method="integer-program")


class _Search:
    """Bound, round what the bound leans towards, and shake: the best so far is kept throughout."""

    def __init__(self, problem: LineUpProblem, known: Solved, until: float, seed: int, stop: Stop, tell: Tell) -> None:
        self.problem, self.best, self.bound = problem, known.best, known.bound
        self.stop, self.tell, self.seed = stop, tell, seed
        self.source = random.Random(seed)  # nosec B311  # seeded draws, no secret
        self.began, self.until, self.picked = time.monotonic(), until, known.picked
        self.rent, self.wish = known.best.rent, np.zeros(problem.mountings)

    def run(self) -> Solved:
        self._relax()
        limit = self._limit(1.0)
        self._keep(descend(self.problem, self.best, limit))
        for _ in range(ROUNDS):
            if limit.reached(self.best.cost):
                break
            self._round(self._blurred(), limit)
            self._keep(wander(self.problem, self.best, limit, seed=self.source.randrange(2**31), rounds=1))
        return Solved(best=self.best, bound=min(self.bound, self.best.cost), method="search", picked=self.picked)

    def _keep(self, found: Shared) -> None:
        self.best = min(self.best, found, key=lambda one: one.cost)

    def _limit(self, share: float) -> Limit:
        """Until that share of the time is over."""
        moment = self.began + share * max(self.until - self.began, 0.0)
        return Limit(moment, self.stop, lambda cost: cost - self.bound <= CLOSE * cost)

    def _relax(self) -> None:
        limit = self._limit(RELAXED)
        left = limit.until - time.monotonic()
        for relaxed in relaxations(self.problem, self.rent, seconds=left, known=self.picked):
            self.bound, self.picked = max(self.bound, relaxed.value), relaxed.picked
            self.rent, self.wish = relaxed.picked.rent, relaxed.wish
            if relaxed.near:
                self._round(self.wish, None)
            if limit.reached(self.best.cost):
                return
            self.tell(RELAXED * self._passed(limit))

    def _passed(self, limit: Limit) -> float:
        whole = max(limit.until - self.began, 1e-9)
        return min((time.monotonic() - self.began) / whole, 1.0)

    def _blurred(self) -> Floats:
        noise = np.array([self.source.uniform(-1.0, 1.0) for _ in range(len(self.wish))])
        blurred: Floats = self.wish + NOISE * self.wish * noise
        return blurred

    def _round(self, wish: Floats, limit: Limit | None) -> None:
        """The line-up nearest to the wishes, and, within a limit, where it leads to if it is not much dearer."""
        lineup = tuple(np.flatnonzero(choose(self.problem, -wish)).tolist())
        found = shared(self.problem, lineup)
        if limit is not None and found.cost < self.best.cost * 1.02:
            found = descend(self.problem, found, limit)
        self._keep(found)
