"""Which list a job joins: as good a pairing, where it costs least."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.builders import job, machine, nozzle, plain, shop, spool
from workers.model.routing import Candidate
from workers.planning.where import OPTIONS, UTILITY_H, WORTH, as_good, cheapest, shortlist
from workers.routing.decide import Router


@pytest.fixture(scope="module")
def candidate() -> Candidate:
    here = shop(machines=(machine(),), nozzles=(nozzle("n04", 0.4),), materials=(plain(),), spools=(spool("pla"),))
    chosen = Router(here).route([job()])[0].chosen
    assert chosen is not None
    return chosen


def ranked(candidate: Candidate, *losses: float) -> list[Candidate]:
    """One machine each, so much worse in utility than the first."""
    return [replace(candidate, machine_id=f"m{i}", utility=-loss) for i, loss in enumerate(losses)]


def test_only_what_is_within_the_threshold_of_the_best_counts_as_good(candidate: Candidate) -> None:
    found = as_good(ranked(candidate, 0.0, WORTH * 0.9, WORTH * 1.1), lambda _: True)
    assert [one.machine_id for one in found] == ["m0", "m1"]


def test_the_threshold_runs_from_the_best_that_can_print(candidate: Candidate) -> None:
    found = as_good(ranked(candidate, 0.0, 0.5, 0.5 + WORTH / 2), lambda one: one.machine_id != "m0")
    assert [one.machine_id for one in found] == ["m1", "m2"]


def test_each_machine_is_looked_at_once(candidate: Candidate) -> None:
    twice = [candidate, replace(candidate, nozzle_id="other")]
    assert as_good(twice, lambda _: True) == [candidate]
    assert as_good(ranked(candidate, 0.0), lambda _: False) == []


def test_the_best_and_those_that_are_free_soonest_are_priced(candidate: Candidate) -> None:
    options = ranked(candidate, *[0.0] * 9)
    hours = dict(zip([one.machine_id for one in options], [9, 8, 7, 6, 5, 4, 3, 2, 1], strict=True))
    found = shortlist(options, lambda one: hours[one.machine_id])
    assert [one.machine_id for one in found] == ["m0", "m6", "m7", "m8"]
    assert len(found) == OPTIONS


def test_the_cheaper_list_wins_and_of_equal_ones_the_better_pairing(candidate: Candidate) -> None:
    first, second = ranked(candidate, 0.0, 0.0)
    rises = {"m0": 5.0, "m1": 2.0}
    assert cheapest([first, second], 1.0, lambda one: rises[one.machine_id]) == (second, 2.0, 5.0)
    assert cheapest([first, second], 1.0, lambda one: 3.0)[0] is first


def test_what_is_given_up_in_utility_weighs_as_hours(candidate: Candidate) -> None:
    """0.05 of utility are 0.05 * UTILITY_H weighted hours; twice that for a job of twice the weight."""
    first, second = ranked(candidate, 0.0, 0.05)
    saved = 0.05 * UTILITY_H
    rises = {"m0": saved * 1.1, "m1": 0.0}
    assert cheapest([first, second], 1.0, lambda one: rises[one.machine_id])[0] is second
    assert cheapest([first, second], 2.0, lambda one: rises[one.machine_id])[0] is first
