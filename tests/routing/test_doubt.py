"""Credible intervals, the chance of being the best, and what is worth measuring."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.builders import block, calibration, chopped_fibre, curves, job, machine, nozzle, plain, shop, sliding_hole
from tests.learning.outcomes import printed
from workers.learning.intake import sums_of
from workers.learning.nodes import DRAWS, NODES, POINTS, draws, normal_points
from workers.model.evidence import merged
from workers.model.job import Emphasis, JobSpec
from workers.model.routing import Candidate, Measure, Routing, Weighed
from workers.model.shop import Shop
from workers.routing.decide import Router
from workers.routing.explain import explain
from workers.routing.information import value_of_information

SPEC = job(summary=block(curves=curves(0.45)), tolerances=(sliding_hole(),))


def twins(**changes: object) -> Shop:
    values = {"machines": (machine("m1"), machine("m2")), "nozzles": (nozzle("a", 0.4, "m1"), nozzle("b", 0.4, "m2"))}
    return shop(**(values | changes))


def route(the_shop: Shop, spec: JobSpec = SPEC) -> Routing:
    return Router(the_shop).route([spec])[0]


def everyone(routing: Routing) -> list[Candidate]:
    assert routing.chosen is not None
    return [routing.chosen, *routing.others]


def width(candidate: Candidate, score: Weighed) -> float:
    assert candidate.low is not None
    assert candidate.high is not None
    return float(getattr(candidate.high, score) - getattr(candidate.low, score))


@pytest.mark.parametrize("material", ["pla", "pa-cf"])
def test_every_interval_holds_the_stated_score(material: str) -> None:
    for candidate in everyone(route(shop(), replace(SPEC, material=job(material=material).material))):
        for score in Weighed:
            low, high = getattr(candidate.low, score), getattr(candidate.high, score)
            assert 0.0 < low <= getattr(candidate.scores, score) + 1e-12
            assert getattr(candidate.scores, score) <= high + 1e-12 <= 1.0 + 1e-9


def test_the_chances_of_being_the_best_sum_to_one() -> None:
    for spec in (SPEC, job(), replace(SPEC, emphasis=Emphasis(detail=0, fit=1, clog=0, time=0))):
        chances = [one.probability_best for one in everyone(route(shop(), spec))]
        assert sum(chances) == pytest.approx(1.0)  # type: ignore[arg-type]


def test_twins_are_an_even_bet() -> None:
    first, second = everyone(route(twins()))
    assert first.probability_best == pytest.approx(0.5, abs=0.08)
    assert second.probability_best == pytest.approx(0.5, abs=0.08)


def test_a_hopeless_candidate_is_never_the_best() -> None:
    """Ribs of 0.45 mm: 0.4 mm lays them, 0.6 mm loses all."""
    routing = route(shop(nozzles=(nozzle("n04", 0.4), nozzle("n06", 0.6, slot=2))))
    assert routing.chosen is not None
    assert routing.chosen.probability_best is not None
    assert routing.chosen.probability_best > 0.99
    assert "as good as sure" in explain(routing, shop()).reasons[-1]


def test_the_only_candidate_is_the_best() -> None:
    (only,) = everyone(route(shop(nozzles=(nozzle("n04", 0.4),))))
    assert only.probability_best == 1.0


def test_intervals_narrow_as_outcomes_come_in() -> None:
    the_shop = shop(nozzles=(nozzle("n04", 0.4),))
    (before,) = everyone(route(the_shop))
    deltas = [
        delta
        for i in range(30)
        for delta in sums_of(
            printed(
                SPEC,
                before,
                i,
                print_h=before.print_h * (1 + 0.02 * (-1) ** i),
                sizes=(("guide hole", before.fits[0].mean_mm + 0.01 * (-1) ** i),),
            )
        )
    ]
    (after,) = everyone(route(replace(the_shop, evidence=merged((), deltas))))
    for score in (Weighed.FIT, Weighed.CLOG, Weighed.TIME):
        assert width(after, score) < width(before, score)
    assert width(after, Weighed.DETAIL) == width(before, Weighed.DETAIL)  # nothing measured tells of it


def test_draws_are_stratified_and_always_the_same() -> None:
    which = draws(NODES, 6, 0)
    assert which.shape == (6, DRAWS)
    for row in which:
        assert set(np.bincount(row)) == {DRAWS // NODES}
    assert (draws(POINTS, 6, 1) == draws.__wrapped__(POINTS, 6, 1)).all()
    assert normal_points(3)[0].tolist() != normal_points(3)[1].tolist()


def test_nothing_is_worth_measuring_where_nothing_could_change() -> None:
    alone = shop(nozzles=(nozzle("n04", 0.4),))
    assert value_of_information(Router(alone), SPEC) == ()
    sure = shop(nozzles=(nozzle("n04", 0.4), nozzle("n06", 0.6, slot=2)))
    assert all(one.chance_of_change < 0.05 for one in value_of_information(Router(sure), SPEC))


def test_between_twins_measuring_either_is_worth_something() -> None:
    found = value_of_information(Router(twins()), SPEC)
    assert {one.machine_id for one in found} == {"m1", "m2"}
    assert {one.measure for one in found} == set(Measure)
    assert found[0].gain >= found[-1].gain > 0.0
    assert all(0.0 < one.chance_of_change <= 1.0 for one in found)


def test_what_was_measured_already_is_worth_less_than_what_was_not() -> None:
    known = calibration("a", "pla", "m1", hole_allowance_mm=-0.09, boss_allowance_mm=0.04, size_sd_mm=0.01, measured=40)
    fit_only = replace(SPEC, emphasis=Emphasis(detail=0.1, fit=0.8, clog=0.05, time=0.05))
    found = value_of_information(Router(twins(calibrations=(known,))), fit_only)
    gauge = {one.machine_id: one.gain for one in found if one.measure is Measure.GAUGE_PIECE}
    assert gauge["m2"] > 3 * gauge.get("m1", 0.0)


def test_information_on_clogs_comes_from_printing_only() -> None:
    fibres = job(material="pa-cf", summary=block(60, 60, 40), emphasis=Emphasis(detail=0, fit=0, clog=1, time=0))
    materials = (chopped_fibre(), plain())
    found = value_of_information(Router(twins(materials=materials)), fibres)
    assert {one.measure for one in found} <= {Measure.MEASURED_PRINT}
