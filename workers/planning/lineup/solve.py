"""The best line-up that the time allows, and how much better any could be."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from workers.planning.lineup.bound import choose, relaxations
from workers.planning.lineup.exact import is_small, prove
from workers.planning.lineup.problem import Floats, LineUp, LineUpProblem, is_possible
from workers.planning.lineup.search import Limit, descend, wander
from workers.planning.lineup.share import Shared, shared

CLOSE = 3e-6  # relative gap that counts as proved: what the solvers' own tolerances leave
STEPS = 200  # of the relaxation
LOOK_FROM, LOOK_EVERY = 30, 20  # steps before its wishes are rounded, and between two roundings
RELAXED = 0.65  # share of the time after which the relaxation ends (ours)
NOISE = 0.3  # by which wishes are blurred when they are rounded again (ours)
ROUNDS = 20  # of shaking the best line-up

Tell = Callable[[float], None]
Stop = Callable[[], bool]


class StoppedError(Exception):
    """It was cancelled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Solved:
    """No line-up costs less than bound. method: what found it. proved: the gap is what rounding leaves."""

    best: Shared
    bound: float
    method: str

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
) -> Solved:
    """The cheapest line-up found from these starts, within about seconds. stop: asked often; then what there is comes
    back at once."""
    until = time.monotonic() + seconds
    possible = [one for one in ((), *starts) if is_possible(problem, one)]
    best = min((shared(problem, one) for one in possible), key=lambda found: found.cost)
    found = _proved(problem, best, seconds) if is_small(problem) and not stop() else None
    if found is None or not found.proved:
        found = _Search(problem, found or Solved(best=best, bound=0.0, method="search"), until, seed, stop, tell).run()
    tell(1.0)
    return found


def _proved(problem: LineUpProblem, best: Shared, seconds: float) -> Solved:
    result = prove(problem, seconds=seconds / 2.0)
    if result.lineup is not None:
        best = min(best, shared(problem, result.lineup, best.rent), key=lambda one: one.cost)
    return Solved(best=best, bound=min(result.bound, best.cost), method="integer-program")


class _Search:
    """Descend, bound, round what the bound leans towards, and shake: the best so far is kept throughout."""

    def __init__(self, problem: LineUpProblem, known: Solved, until: float, seed: int, stop: Stop, tell: Tell) -> None:
        self.problem, self.best, self.bound = problem, known.best, known.bound
        self.stop, self.tell, self.seed = stop, tell, seed
        self.began, self.until = time.monotonic(), until

    def run(self) -> Solved:
        self.best = descend(self.problem, self.best, self._limit(0.1))
        self._relax()
        self.best = descend(self.problem, self.best, self._limit(0.9))
        self.best = wander(self.problem, self.best, self._limit(1.0), seed=self.seed, rounds=ROUNDS)
        return Solved(best=self.best, bound=min(self.bound, self.best.cost), method="search")

    def _limit(self, share: float) -> Limit:
        """Until that share of the time is over."""
        moment = self.began + share * max(self.until - self.began, 0.0)
        return Limit(moment, self.stop, lambda cost: cost - self.bound <= CLOSE * cost)

    def _relax(self) -> None:
        source = random.Random(self.seed)  # nosec B311  # seeded draws, no secret
        left = max(self._limit(RELAXED).until - time.monotonic(), 0.0)
        steps = relaxations(
            self.problem, self.best.own, self.best.rent, lambda: self.best.cost, seconds=left, steps=STEPS
        )
        for step, relaxed in enumerate(steps):
            self.bound = max(self.bound, relaxed.value)
            if step >= LOOK_FROM and step % LOOK_EVERY == 0:
                self._round(relaxed.wish, source if step > LOOK_FROM else None)
            if self.stop():
                return
            self.tell(0.1 + (RELAXED - 0.1) * step / STEPS)

    def _round(self, wish: Floats, source: random.Random | None) -> None:
        """The line-up nearest to the wishes, and where it leads to if it is not much dearer."""
        if source is not None:
            wish = wish + NOISE * wish * np.array([source.uniform(-1.0, 1.0) for _ in range(len(wish))])
        lineup = tuple(np.flatnonzero(choose(self.problem, -wish)).tolist())
        found = shared(self.problem, lineup, self.best.rent)
        if found.cost < self.best.cost * 1.05:
            found = descend(self.problem, found, self._limit(RELAXED))
        if found.cost < self.best.cost:
            self.best = found
