"""The whole queue as a problem: figures worked out by hand, and cost by the planner against cost by the lists' rule."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, product
from math import log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.planning.test_dispatch import BENCH, HOUR, NOW, listed
from workers.model.dispatch import Listed
from workers.model.plan import PlanWeights
from workers.model.routing import Candidate, Scores
from workers.planning.dispatch import Bench
from workers.planning.plan import plan
from workers.planning.queue import Option, Queue, Waiting, behind, options_of, queue_of, today
from workers.planning.queue_figures import (
    comparison,
    figures,
    longest_rise,
    machine_plans,
    orders_today,
    planned_orders,
)
from workers.planning.schedule import Sequences, cost_of

EVEN = Scores(detail=1.0, fit=1.0, clog=1.0, time=1.0)
TIME_WEIGHT = 0.25


def candidate(machine_id: str = "m1", nozzle_id: str = "n04", material_id: str = "pla", **changes: object) -> Candidate:
    """One hour a copy, every copy good, 2 money an hour."""
    values: dict[str, object] = {
        "bore_mm": 0.4,
        "bead_width_mm": 0.44,
        "layer_height_mm": 0.2,
        "calibrated": False,
        "scores": EVEN,
        "utility": 0.0,
        "print_h": 1.0,
        "setup_h": 0.0,
        "material_g": 10.0,
        "clog_risk": 0.0,
        "good_share": 1.0,
        "hours_per_good": 1.0,
        "grams_per_good": 10.0,
        "cost_per_good": 2.0,
    }
    return Candidate(machine_id=machine_id, nozzle_id=nozzle_id, material_id=material_id, **(values | changes))  # type: ignore[arg-type]


def option(*place: str, hours: float = 1.0, lost: float = 0.0, **changes: object) -> Option:
    return Option(candidate=candidate(*place, print_h=hours, hours_per_good=hours, **changes), lost=lost)


def waiting(one: Listed, machine_id: str, *options: Option) -> Waiting:
    return Waiting(listed=one, machine_id=machine_id, options=options)


def bench(**changes: object) -> Bench:
    return replace(BENCH, **changes)  # type: ignore[arg-type]


def two_machines() -> Queue:
    """Machine m1 carries pla and is busy for half an hour, m2 carries petg. A material change takes 0.1 h."""
    jobs = [
        waiting(listed("a", due_h=1.0), "m1", option("m1"), option("m2", "n06", hours=2.0)),
        waiting(listed("b", quantity=3, priority=5), "m1", option("m1", hours=2.0, good_share=0.5)),
    ]
    benches = {"m1": bench(busy_h=0.5), "m2": bench(loaded={"n06": "petg"})}
    return queue_of(jobs, benches, ["m1", "m2"], PlanWeights(failure=0.5))


def test_the_problem_of_two_jobs_on_two_machines_by_hand() -> None:
    problem = two_machines().problem
    assert problem.job.tolist() == [0, 0, 1]
    assert problem.machine.tolist() == [0, 1, 0]
    assert problem.hours.tolist() == [1.0, 2.0, 6.0]  # three copies of b at two hours a good one
    assert problem.free.tolist() == [0.5, 0.0]
    assert problem.due.tolist() == [1.0, 7 * 24.0]  # b has no due date: the end of patience
    assert problem.weight.tolist() == [1.0, 2.0]  # five steps of priority double it
    assert problem.first[0, 0] == 0.0
    assert problem.first[1, 0] == pytest.approx(0.1)  # pla on the nozzle that carries petg
    assert problem.failure.tolist() == [
        0.0,
        0.0,
        0.5 * 3 * 2.0 * 0.5,
    ]  # weight, copies, cost a good one, half of it lost


def test_the_figures_of_an_order_by_hand() -> None:
    queue = two_machines()
    found = figures(queue, planned_orders(queue, ((2,), (1,))))  # b alone on m1, a on m2
    assert found.print_h == 8.0
    assert (found.setup_h, found.setups) == (pytest.approx(0.1), 1)
    assert found.last_end_h == 6.5
    assert (found.late_jobs, found.weighted_lateness_h) == (1, pytest.approx(1.1))  # a ends after 2.1 h, due after 1
    assert (found.expected_scrap, found.expected_scrap_cost) == (3.0, 3.0)
    flow = 0.01 * (6.5 + 2.1)
    assert found.cost == pytest.approx(1.1 + 0.5 * 6.5 + flow + 0.2 * 0.1 + 0.5 * 3.0)


def test_the_best_plan_of_two_equal_machines_is_known() -> None:
    """Six equal jobs all on one of two equal machines: three move, everything ends in half the time."""
    jobs = [waiting(replace(listed(f"j{i}"), place=float(i)), "m1", option("m1"), option("m2")) for i in range(6)]
    queue = queue_of(jobs, {"m1": BENCH, "m2": BENCH}, ["m1", "m2"], PlanWeights())
    before = orders_today(queue)
    made = plan(queue.problem, seconds=20, seed=1, current=today(queue))
    after = planned_orders(queue, made.sequences)
    compared = comparison(queue, before, after, machine_plans(queue, after, {}))
    assert (compared.today.last_end_h, compared.planned.last_end_h) == (6.0, 3.0)
    assert compared.moved_jobs == 3
    assert compared.planned.cost == pytest.approx(made.measures.cost)
    assert made.gap == 0.0


def test_a_pairing_of_lower_quality_must_be_worth_it() -> None:
    """One job, a queue of five hours ahead of its own pairing, and a free machine that loses 0.1 in utility."""
    job = waiting(listed("a"), "m1", option("m1"), option("m2", lost=0.1))
    benches = {"m1": bench(busy_h=5.0), "m2": BENCH}
    for quality, expected in ((10.0, "m2"), (100.0, "m1")):
        weights = PlanWeights(tardiness=0.0, makespan=1.0, flow=0.0, setup=0.0, failure=0.0, quality=quality)
        queue = queue_of([job], benches, ["m1", "m2"], weights)
        made = plan(queue.problem, seconds=5, seed=1)
        assert queue.options[made.runs[0].pairing].candidate.machine_id == expected
        assert made.measures.cost == pytest.approx(min(6.0, 1.0 + 0.1 * quality))


def test_what_still_dries_is_printed_behind_what_is_dry() -> None:
    """Two hours of printing either way; what takes 3 h to dry starts then, and ends after 4, not 1."""
    wet = waiting(listed("wet", material_id="petg"), "m1", option("m1", "n04", "petg"))
    dry = waiting(replace(listed("dry"), place=1.0), "m1", option("m1"))
    benches = {"m1": bench(dry_h={"petg": 3.0}, material_change_h=0.0)}
    queue = queue_of([wet, dry], benches, ["m1"], PlanWeights())
    assert queue.problem.release.tolist() == [3.0, 0.0]
    made = plan(queue.problem, seconds=5, seed=1)
    found = planned_orders(queue, made.sequences)["m1"]
    assert [one.listed.entry.job_id for one in found] == ["dry", "wet"]
    assert figures(queue, {"m1": found}).last_end_h == 4.0
    assert figures(queue, {"m1": found[::-1]}).last_end_h == 5.0


PLACES = [(m, n, f) for m, n in (("m1", "n04"), ("m2", "n06")) for f in ("pla", "petg", "asa")]
FORKED = [*PLACES, *(("m1", "n08", f) for f in ("pla", "petg"))]


@st.composite
def queues(draw: st.DrawFn, places: list[tuple[str, str, str]]) -> tuple[Queue, Sequences]:
    """A queue of up to five jobs, and some order of it."""
    jobs, chosen = [], []
    for number in range(draw(st.integers(1, 5))):
        own = draw(st.lists(st.sampled_from(places), min_size=1, max_size=4, unique=True))
        due_h = draw(st.sampled_from([None, 0.5, 3.0]))
        one = listed(f"j{number}", due_h=due_h, priority=draw(st.integers(-5, 5)), quantity=draw(st.integers(1, 2)))
        hours = [draw(st.sampled_from([0.5, 1.0, 2.5])) for _ in own]
        options = [
            option(
                *place, hours=h, good_share=draw(st.sampled_from([1.0, 0.5])), lost=draw(st.sampled_from([0.0, 0.2]))
            )
            for place, h in zip(own, hours, strict=True)
        ]
        jobs.append(waiting(one, own[0][0], *options))
        chosen.append(draw(st.integers(0, len(own) - 1)))
    loaded = {"n04": "pla", "n06": draw(st.sampled_from(["petg", None])), "n08": "asa"}
    benches = {"m1": bench(loaded=loaded, busy_h=draw(st.sampled_from([0.0, 1.5]))), "m2": bench(loaded=loaded)}
    queue = queue_of(jobs, benches, ["m1", "m2"], PlanWeights())
    orders: list[list[int]] = [[], []]
    for job in draw(st.permutations(range(len(jobs)))):
        pairing = int(np.flatnonzero(queue.problem.job == job)[chosen[job]])
        orders[queue.problem.machine[pairing]].append(pairing)
    return queue, tuple(map(tuple, orders))


@given(queues(PLACES))
@settings(max_examples=100, deadline=None)
def test_with_one_nozzle_a_machine_the_planner_s_cost_is_the_lists_cost(found: tuple[Queue, Sequences]) -> None:
    queue, sequences = found
    assert queue.relaxed is None
    assert figures(queue, planned_orders(queue, sequences)).cost == pytest.approx(cost_of(queue.problem, sequences))


@given(queues(FORKED))
@settings(max_examples=100, deadline=None)
def test_with_several_nozzles_the_relaxed_problem_is_never_dearer_than_the_lists(
    found: tuple[Queue, Sequences],
) -> None:
    queue, sequences = found
    cost = figures(queue, planned_orders(queue, sequences)).cost
    assert cost_of(queue.relaxed or queue.problem, sequences) <= cost + 1e-9


@given(queues(FORKED))
@settings(max_examples=20, deadline=None)
def test_no_order_costs_less_than_the_bound_of_a_plan(found: tuple[Queue, Sequences]) -> None:
    queue, sequences = found
    made = plan(queue.problem, seconds=10, seed=1, relaxed=queue.relaxed, rounds=20)
    assert made.bound <= figures(queue, planned_orders(queue, sequences)).cost + 1e-6


def test_on_several_nozzles_what_each_carried_last_counts() -> None:
    """n04 is changed to petg once, for both its jobs, though a job on n08 comes between: 0.1 h in all, not 0.2."""
    own = [("m1", "n04", "petg"), ("m1", "n08", "asa"), ("m1", "n04", "petg")]
    jobs = [waiting(listed(f"j{i}"), "m1", option(*place)) for i, place in enumerate(own)]
    queue = queue_of(jobs, {"m1": bench(loaded={"n04": "pla", "n08": "asa"})}, ["m1"], PlanWeights())
    assert figures(queue, planned_orders(queue, ((0, 1, 2),))).setup_h == pytest.approx(0.1)
    assert queue.relaxed is not None


def test_the_state_of_a_machine_behind_what_is_kept() -> None:
    kept = [listed("a", 2.0, quantity=2), listed("b", 1.0, material_id="petg")]
    found = behind(bench(busy_h=0.5), kept)
    assert found.busy_h == pytest.approx(0.5 + 4.0 + 0.1 + 1.0)
    assert found.loaded == {"n04": "petg"}
    assert behind(BENCH, []) == BENCH


def test_today_is_the_order_of_the_lists_and_none_where_a_job_is_stranded() -> None:
    first, second = (replace(listed(name), place=place) for name, place in (("a", 2.0), ("b", 1.0)))
    jobs = [waiting(first, "m1", option("m1")), waiting(second, "m1", option("m1"), option("m2"))]
    queue = queue_of(jobs, {"m1": BENCH, "m2": BENCH}, ["m1", "m2"], PlanWeights())
    assert today(queue) == ((1, 0), ())
    stranded = [jobs[0], waiting(second, "m3", option("m2"))]
    queue = queue_of(stranded, {"m1": BENCH, "m2": BENCH, "m3": BENCH}, ["m1", "m2"], PlanWeights())
    assert today(queue) is None
    assert figures(queue, orders_today(queue)).print_h == 2.0


def graded(quality: float, pace: float, machine_id: str = "m1", hours: float = 1.0) -> Candidate:
    """Scores whose utility is quality + weight of time x ln(pace); the fastest of all takes hours x pace."""
    scores = replace(EVEN, time=pace)
    utility = quality + TIME_WEIGHT * log(pace)
    return candidate(machine_id, scores=scores, utility=utility, print_h=hours, hours_per_good=hours)


def test_what_an_option_gives_up() -> None:
    """m1 is the finer, m2 twice as fast; by utility m1 is the best for the job."""
    options = options_of([(None, [graded(-0.1, 0.5, "m1", 2.0), graded(-0.4, 1.0, "m2", 1.0)])], TIME_WEIGHT)
    first, second = options
    assert [one.candidate.machine_id for one in options] == ["m1", "m2"]
    assert (first.lost, first.conceded) == (0.0, 0.0)
    assert second.lost == pytest.approx(0.3)
    assert second.conceded == pytest.approx(0.3 - TIME_WEIGHT * log(2.0))


def test_pairings_much_worse_or_slower_are_none() -> None:
    fine, coarse, slow = graded(0.0, 1.0, "m1"), graded(-1.1, 1.0, "m2"), graded(0.0, 1.0 / 30.0, "m3", 30.0)
    options = options_of([(None, [fine, coarse, slow])], TIME_WEIGHT)
    assert [one.candidate.machine_id for one in options] == ["m1"]


def test_a_pairing_takes_the_pose_that_is_better_on_one_time_scale() -> None:
    """Lying it takes 1 h, standing 4 h, each the fastest of its own pose: only the hours tell them apart."""
    lying, standing = graded(-0.2, 1.0, hours=1.0), graded(-0.1, 1.0, hours=4.0)
    (option,) = options_of([("standing", [standing]), ("lying", [lying])], TIME_WEIGHT)
    assert option.pose == "lying"  # 0.1 better in quality is less than 0.25 ln 4
    (option,) = options_of([("standing", [standing]), ("lying", [lying])], 0.01)
    assert option.pose == "standing"


@given(st.lists(st.integers(0, 9), max_size=7, unique=True))
def test_the_longest_rise_is_the_longest(values: list[int]) -> None:
    found = longest_rise([float(one) for one in values])
    taken = [values[i] for i in found]
    assert found == sorted(found)
    assert taken == sorted(taken)
    rises = (c for n in range(len(values) + 1) for c in combinations(values, n) if list(c) == sorted(c))
    assert len(found) == max(map(len, rises))


def test_only_the_job_that_changes_its_turn_is_reordered() -> None:
    jobs = [waiting(replace(listed(f"j{i}"), place=float(i)), "m1", option("m1")) for i in range(4)]
    queue = queue_of(jobs, {"m1": BENCH}, ["m1"], PlanWeights())
    (machine,) = machine_plans(queue, planned_orders(queue, ((3, 0, 1, 2),)), {"m1": 2})
    assert [run.reordered for run in machine.runs] == [True, False, False, False]
    assert [run.position for run in machine.runs] == [3, 4, 5, 6]
    assert not any(run.moved for run in machine.runs)
    assert [run.start_at - NOW for run in machine.runs] == [0.0, HOUR, 2 * HOUR, 3 * HOUR]


def test_cost_counts_each_measure_once() -> None:
    """Each weight alone gives its own figure."""
    queue = two_machines()
    orders = planned_orders(queue, ((2,), (1,)))
    none = dict.fromkeys(("tardiness", "makespan", "flow", "setup", "failure", "quality"), 0.0)
    expected = {"tardiness": 1.1, "makespan": 6.5, "flow": 8.6, "setup": 0.1, "failure": 3.0}
    for (name, value), factor in product(expected.items(), (1.0, 2.0)):
        weighed = replace(queue, weights=PlanWeights(**(none | {name: factor})))
        assert figures(weighed, orders).cost == pytest.approx(factor * value)
