"""From a shop and jobs to a line-up: costs by hand, the interval, what a nozzle is worth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.builders import block, calibration, chopped_fibre, job, machine, nozzle, plain, shop, sliding_hole, spool
from tests.planning.lineup import brute_force
from tests.planning.lineup.problems import random_problem
from workers.model.errors import ConflictError, InvalidError
from workers.model.fleet import MachineState, TipMaterial
from workers.model.job import CriticalDetail, JobSpec
from workers.model.lineup import LineUpPrices, LineUpRequest, LineUpResult, NozzleOffer
from workers.model.part import FeatureKind
from workers.model.shop import Shop
from workers.planning.lineup.mix import Entry, Mix
from workers.planning.lineup.pool import Pool, pool_of
from workers.planning.lineup.problem import Floats, LineUpProblem, with_one_free, without_kind
from workers.planning.lineup.solve import solve
from workers.planning.lineup.study import study
from workers.planning.lineup.worth import within, worth_of
from workers.routing.decide import Router

WINDOWS = 10.0
REQUEST = LineUpRequest(time_limit_s=20.0, window_h=100.0)
COARSE = job("crate", summary=block(80, 60, 40))
FINE = job("plate", critical=(CriticalDetail(name="stroke", kind=FeatureKind.RIB, size_mm=0.3),))
OFFER = NozzleOffer(
    name="0.3 hard", bore_mm=0.3, tip=TipMaterial.HARDENED_STEEL, fitting="short", price=40.0, at_most=2
)


def two_machines(**changes: object) -> Shop:
    values = {
        "machines": (machine("m1", nozzle_slots=1), machine("m2", nozzle_slots=1)),
        "nozzles": (nozzle("n04", 0.4), nozzle("n06", 0.6, machine_id="m2"), nozzle("shelf", 0.25, machine_id=None)),
        "materials": (plain(),),
        "spools": (spool("pla"),),
    }
    return shop(**(values | changes))


def studied(the_shop: Shop, *entries: Entry, **changes: object) -> LineUpResult:
    return study(the_shop, replace(REQUEST, **changes), entries)  # type: ignore[arg-type]


def of(spec: JobSpec, count: int = 1, **changes: object) -> Entry:
    return Entry(spec=spec, count=count, **changes)  # type: ignore[arg-type]


def test_the_cost_of_one_job_is_what_one_gets_by_hand() -> None:
    """Against the routing's own figures of the same bead, which are checked elsewhere."""
    one = two_machines(machines=(machine("m1", nozzle_slots=1),), nozzles=(nozzle("n04", 0.4),))
    result = studied(one, of(COARSE), machine_ids=("m1",))
    [routing] = Router(one).route([COARSE])
    costs, chosen = result.best.costs, routing.chosen
    assert chosen is not None
    # nothing but PLA is printed, so no material is changed: 240 s of heating up
    heat_h = 240.0 / 3600.0
    spent = 1.0 - 0.5 * chosen.clog_risk
    hours = chosen.print_h * spent / chosen.good_share + heat_h
    assert costs.machine == pytest.approx(2.0 * hours, rel=1e-6)
    assert costs.material == pytest.approx(chosen.material_g * spent / chosen.good_share * 25.0 / 1000.0, rel=1e-6)
    assert costs.scrap == pytest.approx(2.0 * (1.0 / chosen.good_share - 1.0), rel=1e-6)
    assert costs.clog == pytest.approx(15.0 * chosen.clog_risk / chosen.good_share, rel=1e-6)
    assert (costs.operator, costs.outside, costs.change, costs.purchase) == pytest.approx((0.0, 0.0, 0.0, 0.0))
    assert result.proved


def test_today_s_best_line_up_is_left_alone() -> None:
    result = studied(two_machines(), of(COARSE, 3))
    assert [one.is_new for one in result.best.mounted] == [False, False]
    assert result.best.costs.total == pytest.approx(result.today.costs.total)
    assert result.saving is not None
    assert (result.saving.expected, result.saving.low, result.saving.high) == pytest.approx((0.0, 0.0, 0.0), abs=1e-6)


def test_a_nozzle_on_the_shelf_is_mounted_where_it_is_needed() -> None:
    result = studied(two_machines(), of(COARSE, 2), of(FINE, 6))
    [mounted] = [one for one in result.best.mounted if one.is_new]
    assert mounted.nozzle_ids == ("shelf",)
    assert result.today.copies_outside == pytest.approx(6.0)
    assert result.best.copies_outside == pytest.approx(0.0)
    # one change of nozzle: a quarter of an hour of machine (2) and person (30), spread over 43.8 windows
    assert result.best.costs.change == pytest.approx(0.25 * 32.0 / 43.8)


def test_an_offer_pays_up_to_its_break_even_and_not_beyond() -> None:
    the_shop = two_machines(nozzles=(nozzle("n04", 0.4), nozzle("n06", 0.6, machine_id="m2")))
    mix = (of(COARSE, 2), of(FINE, 6))
    [worth] = studied(the_shop, *mix, offers=(OFFER,)).offers
    assert worth.proved
    for factor, bought in ((0.99, 1), (1.01, 0)):
        offer = replace(OFFER, price=worth.break_even * factor)
        result = studied(the_shop, *mix, offers=(offer,))
        assert sum(not one.nozzle_ids for one in result.best.mounted) == bought
        assert result.offers[0].pays == bool(bought)
        assert result.offers[0].break_even == pytest.approx(worth.break_even, rel=1e-3)


def test_an_offer_that_nothing_needs_is_worth_nothing() -> None:
    gross = replace(OFFER, bore_mm=1.8)
    result = studied(two_machines(), of(FINE, 5), offers=(gross,))
    [worth] = result.offers
    assert (worth.bought, worth.break_even, worth.pays) == (0, pytest.approx(0.0, abs=1.0), False)


def test_a_full_machine_hands_hours_to_the_other() -> None:
    """Room of one machine is 60 h of 100; what is printed beyond costs an hour's lateness, so both are used."""
    many = of(job("tray", summary=block(120, 100, 40)), 60)
    result = studied(two_machines(), many)
    assert all(load.hours > 0.0 for load in result.best.loads)
    alone = studied(two_machines(), many, machine_ids=("m1",))
    assert alone.best.late_h > result.best.late_h


def test_a_due_date_that_cannot_be_kept_costs_its_lateness() -> None:
    kept, missed = (studied(two_machines(), of(COARSE, slack_h=hours)).best.costs.late for hours in (1000.0, 0.0))
    assert kept == 0.0
    assert missed > 0.0


def test_the_interval_holds_the_saving_and_repeats_with_its_seed() -> None:
    one, again, other = (studied(two_machines(), of(COARSE, 20), of(FINE, 20), seed=seed).saving for seed in (1, 1, 2))
    assert one is not None
    assert other is not None
    assert one == again
    assert (one.low, one.high) != (other.low, other.high)
    assert one.low < one.expected < one.high
    assert one.draws == 200


def test_the_interval_of_one_fixed_difference_is_the_binomial_one() -> None:
    """Where a job costs the same whatever the models say (bought outside), only the number of such jobs varies: of n
    jobs, a share p, the saving spreads as sqrt(n p (1 - p)) (binomial distribution)."""
    n, p = 100, 0.3
    result = studied(two_machines(), of(COARSE, 70), of(FINE, 30))
    assert result.saving is not None
    apart = 40.0 + 2.0 * FINE.part().volume_mm3 / 1000.0
    half = 1.645 * apart * np.sqrt(n * p * (1.0 - p))
    found = (result.saving.high - result.saving.low) / 2.0
    assert found == pytest.approx(half, rel=0.35)  # the fine print's own costs, and 200 draws, move it a little


def test_nozzles_alike_are_one_kind_and_measured_ones_are_not() -> None:
    twins = (nozzle("a", 0.4), nozzle("b", 0.4, machine_id=None), nozzle("c", 0.4, machine_id=None))
    alike = pool_of(two_machines(nozzles=twins), REQUEST)
    assert [kind.pieces for kind in alike.kinds] == [3]
    measured = two_machines(nozzles=twins, calibrations=(calibration("b", "pla"),))
    assert sorted(kind.pieces for kind in pool_of(measured, REQUEST).kinds) == [1, 2]


def test_a_machine_that_is_down_is_left_out_unless_it_is_named() -> None:
    down = two_machines(machines=(machine("m1"), machine("m2", state=MachineState.DOWN)))
    assert [one.id for one in pool_of(down, REQUEST).machines] == ["m1"]
    assert len(pool_of(down, replace(REQUEST, machine_ids=("m1", "m2"))).machines) == 2
    assert [kind.sample.id for kind in pool_of(down, REQUEST).kinds] == ["n04", "shelf"]  # n06 stays on m2


def test_what_is_not_possible_is_refused_at_its_place() -> None:
    with pytest.raises(InvalidError) as refused:
        pool_of(two_machines(), replace(REQUEST, offers=(OFFER, replace(OFFER, fitting="long"))))
    assert [one.pointer for one in refused.value.fields] == ["/offers/1/fitting"]
    with pytest.raises(InvalidError):
        pool_of(two_machines(), replace(REQUEST, machine_ids=("m9",)))
    with pytest.raises(ConflictError):
        study(two_machines(), REQUEST, ())
    with pytest.raises(ConflictError):
        study(two_machines(), REQUEST, [of(COARSE)], stop=lambda: True)


def test_a_tip_that_the_filler_wears_out_does_not_count() -> None:
    soft = two_machines(nozzles=(nozzle("n04", 0.4, tip=TipMaterial.BRASS),), materials=(chopped_fibre(),))
    entries = [of(job("clip", material="pa-cf"))]
    mix = Mix(soft, pool_of(soft, REQUEST), entries, LineUpPrices(), None)
    assert not np.isfinite(mix.matrix().cost).any()
    result = studied(soft, *entries)
    assert result.unprintable == ("clip",)
    assert result.best.copies_outside == pytest.approx(1.0)


def test_holes_that_miss_their_size_are_what_a_narrower_bore_saves() -> None:
    """Common practice, no source: a loose sliding fit holds at a 0.4 mm bore and fails at 0.6 mm."""
    wide = two_machines(
        machines=(machine("m1", nozzle_slots=1),), nozzles=(nozzle("n06", 0.6), nozzle("n04", 0.4, machine_id=None))
    )
    result = studied(wide, of(job("guide", tolerances=(sliding_hole(),), quantity=4), 10))
    assert [one.bore_mm for one in result.best.mounted] == [0.4]
    assert result.today.costs.scrap > 3.0 * result.best.costs.scrap
    assert result.deciding[0].today == "M1, n06 (0.6 mm)"
    assert result.deciding[0].best == "M1, n04 (0.4 mm)"


@pytest.mark.parametrize(("price", "pays"), [(10.0, True), (20.0, True), (50.0, None), (81.0, False)])
def test_a_price_between_the_bounds_is_left_open(price: float, pays: bool | None) -> None:
    assert within(price, low=20.0, high=80.0) is pays


def a_shop_with_offers(seed: int) -> tuple[LineUpProblem, Pool, Floats]:
    """Two machines, two kinds owned and one on offer, with costs that were drawn."""
    source = np.random.default_rng(seed)
    pool = pool_of(
        two_machines(nozzles=(nozzle("n04", 0.4), nozzle("n06", 0.6, "m2"))),
        replace(REQUEST, offers=(replace(OFFER, at_most=1 + seed % 2),)),
    )
    problem = random_problem(seed, entries=6, machines=2, kinds=len(pool.kinds), tight=float(source.uniform(0.5, 2.0)))
    change = problem.once.copy()
    pieces = np.array([kind.pieces for kind in pool.kinds])
    once = change + np.where(problem.kind == len(pool.kinds) - 1, OFFER.price / WINDOWS, 0.0)
    return replace(problem, pieces=pieces, once=once), pool, change


@pytest.mark.parametrize("seed", range(4))
def test_the_interval_of_a_break_even_holds_the_truth(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Brute force beside it: the cheapest line-up without any piece less the cheapest with one for nothing. Nothing is
    proved by an integer program here, as in a large shop."""
    monkeypatch.setattr("workers.planning.lineup.solve.is_small", lambda problem: False)
    problem, pool, change = a_shop_with_offers(seed)
    kind = len(pool.kinds) - 1
    best = solve(problem, seconds=1.0, seed=1)
    assert best.method == "search"
    least = brute_force.cheapest(problem)
    assert best.bound <= least + 1e-6
    assert best.best.cost >= least - 1e-6
    limits = {"seconds": 2.0, "seed": 1, "stop": lambda: False}
    worth = worth_of(problem, pool, kind, change, WINDOWS, 0.0, best, **limits)  # type: ignore[arg-type]
    changed = (without_kind(problem, kind), with_one_free(problem, kind, change))
    without, free = (brute_force.cheapest(one) for one in changed)
    truth = (without - free) * WINDOWS
    assert worth.break_even_low - 1e-3 <= truth <= worth.break_even_high + 1e-3
    assert worth.break_even_low <= worth.break_even <= worth.break_even_high
    assert worth.pays in {None, truth >= OFFER.price}
