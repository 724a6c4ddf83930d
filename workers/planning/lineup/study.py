"""A line-up study from the shop and the jobs to its result. Pure: the clock, progress and a stop are handed in."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from workers.model.errors import ConflictError
from workers.model.lineup import LineUpRequest, LineUpResult, OfferWorth, StudyMethod
from workers.model.routing import MODEL_VERSION
from workers.model.shop import Shop
from workers.planning.lineup.answer import Account, answer_of, deciding_of
from workers.planning.lineup.mix import Entry, Matrix, Mix
from workers.planning.lineup.pool import Pool, changes, pool_of, purchases
from workers.planning.lineup.problem import LineUp, LineUpProblem, is_possible
from workers.planning.lineup.saving import saving_of
from workers.planning.lineup.share import Shared, shared
from workers.planning.lineup.solve import Solved, solve
from workers.planning.lineup.words import figures_of, sentences_of
from workers.planning.lineup.worth import worth_of

SOLVE_SHARE, SAVING_SHARE = 0.4, 0.25  # of the time left, for the search and for the draws; offers get the rest
ALONE_SHARE = 0.8  # for the search where nothing is on offer
AT_A_TIME = 2  # offers
SCORED, SOLVED, DRAWN = 20.0, 60.0, 75.0  # percent done when scoring, searching and drawing end

Tell = Callable[[float], None]


class _StoppedError(Exception):
    """It was stopped before there was anything to show."""


def study(
    shop: Shop,
    request: LineUpRequest,
    entries: Sequence[Entry],
    *,
    left_out: Sequence[str] = (),
    now: float | None = None,
    stop: Callable[[], bool] = lambda: False,
    tell: Tell = lambda percent: None,
) -> LineUpResult:
    """Find the line-up. stop: asked often; what was found by then comes back. Raises InvalidError for machines and
    offers that are not possible, ConflictError where there is nothing to compare or it was stopped too early."""
    until = time.monotonic() + request.time_limit_s
    pool = pool_of(shop, request)
    if not entries:
        raise ConflictError("there is no job to judge line-ups by")
    mix = Mix(shop, pool, entries, request.prices, now)
    try:
        matrix = mix.matrix(lambda share: _told(tell, stop, SCORED * share))
    except _StoppedError:
        raise ConflictError("it was stopped before anything was compared") from None
    return _Study(shop, request, pool, mix, matrix, tuple(left_out), until, stop, tell).result()


def _told(tell: Tell, stop: Callable[[], bool], percent: float) -> None:
    tell(percent)
    if stop():
        raise _StoppedError


def problem_of(pool: Pool, matrix: Matrix, request: LineUpRequest) -> LineUpProblem:
    """The arrays of the problem; what a line-up costs once is spread over the windows of the payback."""
    prices, machines = request.prices, len(pool.machines)
    machine, kind = np.array(pool.mountings, dtype=np.int64).T
    return LineUpProblem(
        cost=matrix.cost,
        hours=matrix.hours,
        outside=matrix.outside,
        machine=machine,
        kind=kind,
        once=(changes(pool, prices) + purchases(pool)) / windows_of(request),
        slots=np.array([one.nozzle_slots for one in pool.machines]),
        pieces=np.array([one.pieces for one in pool.kinds]),
        room=np.full(machines, request.window_h * prices.utilisation),
        overload=np.full(machines, prices.late_per_h),
    )


def windows_of(request: LineUpRequest) -> float:
    """How many windows prices and changes are spread over; at least one."""
    return max(request.prices.payback_h / request.window_h, 1.0)


def _left_in_place(problem: LineUpProblem, lineup: LineUp, today: LineUp) -> LineUp:
    """With today's nozzles that nothing else needs the slot or the piece of: nobody takes one off for nothing."""
    for k in today:
        more = tuple(sorted({*lineup, k}))
        if is_possible(problem, more):
            lineup = more
    return lineup


class _Study:
    def __init__(
        self,
        shop: Shop,
        request: LineUpRequest,
        pool: Pool,
        mix: Mix,
        matrix: Matrix,
        left_out: tuple[str, ...],
        until: float,
        stop: Callable[[], bool],
        tell: Tell,
    ) -> None:
        self.shop, self.request, self.pool, self.mix, self.left_out = shop, request, pool, mix, left_out
        self.problem, self.until, self.stop, self.tell = problem_of(pool, matrix, request), until, stop, tell
        self.unprintable = np.flatnonzero(~np.isfinite(matrix.cost).any(axis=1))

    def result(self) -> LineUpResult:
        today = shared(self.problem, self.pool.today)
        best = self._best()
        account = self._account(sorted({*today.lineup, *best.best.lineup}))
        result = self._told_result(account, today, best)
        saving = saving_of(account, today, best.best, seed=self.request.seed, stop=self._late(SAVING_SHARE))
        self.tell(DRAWN)
        offers = self._offers(best, today.cost)
        result = replace(result, saving=saving, offers=offers, stopped=self.stop())
        return replace(result, sentences=sentences_of(result))

    def _best(self) -> Solved:
        share = SOLVE_SHARE if self.request.offers else ALONE_SHARE
        seconds = share * max(self.until - time.monotonic(), 0.1)
        span = SOLVED - SCORED
        found = solve(
            self.problem,
            (self.pool.today,),
            seconds=seconds,
            seed=self.request.seed,
            stop=self.stop,
            tell=lambda share: self.tell(SCORED + span * share),
        )
        lineup = _left_in_place(self.problem, found.best.lineup, self.pool.today)
        kept = found.best if lineup == found.best.lineup else shared(self.problem, lineup, found.best.rent)
        return replace(found, best=kept, bound=min(found.bound, kept.cost))

    def _late(self, share: float) -> Callable[[], bool]:
        moment = time.monotonic() + share * max(self.until - time.monotonic(), 0.1)
        return lambda: self.stop() or time.monotonic() > moment

    def _account(self, mountings: list[int]) -> Account:
        windows = windows_of(self.request)
        return Account(
            problem=self.problem,
            pool=self.pool,
            deep=self.mix.deep(mountings),
            mountings=np.array(mountings, dtype=np.int64),
            change=changes(self.pool, self.request.prices) / windows,
            purchase=purchases(self.pool) / windows,
            prices=self.request.prices,
        )

    def _told_result(self, account: Account, today: Shared, best: Solved) -> LineUpResult:
        """All but the saving's interval and the offers."""
        return LineUpResult(
            shop_revision=self.shop.revision,
            window_h=self.request.window_h,
            jobs=int(self.mix.lots.count.sum()),
            copies=int(self.mix.lots.copies.sum()),
            left_out=self.left_out,
            unprintable=tuple(self.mix.entries[j].spec.name for j in self.unprintable.tolist()[:50]),
            today=answer_of(account, today),
            best=answer_of(account, best.best),
            bound=best.bound,
            gap=best.gap,
            proved=best.proved,
            method=StudyMethod(best.method),
            saving=None,
            deciding=deciding_of(self.mix, account, today, best.best),
            offers=(),
            figures=figures_of(self.request),
            sentences=(),
            model_version=MODEL_VERSION,
        )

    def _offers(self, best: Solved, today: float) -> tuple[OfferWorth, ...]:
        """Two at a time: the solver leaves the other core free."""
        offered = [n for n, kind in enumerate(self.pool.kinds) if kind.offer is not None]
        if not offered or self.stop():
            return ()
        rounds = -(-len(offered) // AT_A_TIME)
        seconds = max(self.until - time.monotonic(), 1.0) / rounds
        found: list[OfferWorth] = []
        with ThreadPoolExecutor(AT_A_TIME) as pool:
            for one in pool.map(lambda kind: self._offer(kind, best, today, seconds), offered):
                if one is not None:
                    found.append(one)
                self.tell(DRAWN + (100.0 - DRAWN) * len(found) / len(offered))
        return tuple(found)

    def _offer(self, kind: int, best: Solved, today: float, seconds: float) -> OfferWorth | None:
        """None where it was stopped before this one's turn."""
        if self.stop():
            return None
        windows = windows_of(self.request)
        change = changes(self.pool, self.request.prices) / windows
        return worth_of(
            self.problem,
            self.pool,
            kind,
            change,
            windows,
            today,
            best,
            seconds=seconds,
            seed=self.request.seed,
            stop=self.stop,
        )
