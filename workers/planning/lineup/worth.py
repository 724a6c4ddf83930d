"""What each nozzle on offer is worth: the saving without any piece of it, and with one for nothing."""

from __future__ import annotations

from collections.abc import Callable

from workers.model.lineup import OfferWorth
from workers.planning.lineup.pool import Pool
from workers.planning.lineup.problem import Floats, LineUp, LineUpProblem, with_one_free, without_kind
from workers.planning.lineup.solve import Solved, solve


def worth_of(
    problem: LineUpProblem,
    pool: Pool,
    kind: int,
    change: Floats,
    windows: float,
    today: float,
    best: Solved,
    *,
    seconds: float,
    seed: int,
    stop: Callable[[], bool],
) -> OfferWorth:
    """The offer of that kind. change (K,): cost of changing alone; windows: in which it must pay; today: cost now."""
    offer, bought = pool.kinds[kind].offer, sum(int(problem.kind[k]) == kind for k in best.best.lineup)
    if offer is None:
        raise ValueError("the nozzle is owned already")
    less = without_kind(problem, kind)

    def solved(changed: LineUpProblem, *starts: LineUp) -> Solved:
        return solve(changed, starts, seconds=seconds / 2.0, seed=seed, stop=stop, picked=best.picked)

    without = solved(less, pool.today) if bought else best
    more = with_one_free(problem, kind, change)
    free = solved(more, without.best.lineup)
    gain, proved = without.best.cost - free.best.cost, without.proved and free.proved
    # to do without costs no less than the choice, and one for nothing saves no more than its price besides the choice
    least_without, least_free = max(without.bound, best.bound), max(free.bound, best.bound - offer.price / windows)
    low = max(least_without - free.best.cost, 0.0) * windows
    high = max(without.best.cost - least_free, 0.0) * windows
    return OfferWorth(
        name=offer.name,
        bore_mm=offer.bore_mm,
        price=offer.price,
        bought=bought,
        break_even=max(gain, 0.0) * windows,
        break_even_low=low,
        break_even_high=high,
        saving_without=today - without.best.cost,
        saving_with=today - free.best.cost,
        proved=proved,
        pays=gain * windows >= offer.price if proved else within(offer.price, low=low, high=high),
    )


def within(price: float, *, low: float, high: float) -> bool | None:
    """Whether a price is under or over all that the break-even may be; None where it lies between."""
    if price <= low:
        return True
    return False if price > high else None
