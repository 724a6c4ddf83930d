"""Scheduling against worked examples and published instances, source beside each."""

from __future__ import annotations

import csv
from itertools import permutations
from pathlib import Path

import numpy as np
import pytest

from workers.planning.assignment import assign
from workers.planning.bound import lower_bound
from workers.planning.exact import cheapest
from workers.planning.plan import plan
from workers.planning.problem import PlanWeights, Problem, from_matrix
from workers.planning.rules import atcs, atcs_index, mean_setup
from workers.planning.schedule import cost_of, timeline
from workers.planning.search import insert_all

INSTANCES = Path(__file__).parents[3] / "shared" / "benchmarks" / "unrelated-machines"
TARDINESS_ONLY = PlanWeights(tardiness=1.0, makespan=0.0, flow=0.0, setup=0.0, failure=0.0)

# The single-machine example of the rule with setups as textbooks give it (Lee, Bhaskaran & Pinedo 1997): data from
# memory; index values, sequence and the optimum over all 24 orders worked out independently of this project.
K1, K2 = 4.971698, 0.671238
INDEX_AT_0 = (0.073044, 0.127909, 0.014271, 0.020501)


def one_machine_example() -> Problem:
    return from_matrix(
        [[13], [9], [13], [10]],
        setup=[[[0, 4, 1, 3], [0, 0, 1, 0], [1, 2, 0, 3], [4, 3, 1, 0]]],
        first=[[1, 1, 3, 4]],
        due=[12, 37, 21, 22],
        weight=[2, 4, 2, 5],
        weights=TARDINESS_ONLY,
    )


def test_the_index_of_the_worked_example() -> None:
    example = one_machine_example()
    scale = (K1 * float(example.hours.mean()), K2 * mean_setup(example))
    index = atcs_index(example.hours, example.due, example.weight, example.first[0], 0.0, scale)
    assert index == pytest.approx(INDEX_AT_0, abs=1e-6)


def test_the_sequence_of_the_worked_example_and_that_nothing_is_better() -> None:
    example = one_machine_example()
    assert atcs(example, K1, K2) == ((1, 3, 2, 0),)
    assert cost_of(example, ((1, 3, 2, 0),)) == 98
    assert min(cost_of(example, (order,)) for order in permutations(range(4))) == 98
    assert cost_of(example, cheapest(example) or ()) == 98


def test_a_transposed_setup_table_would_not_give_98() -> None:
    """The example tells the direction of the table: from the row to the column."""
    example = one_machine_example()
    turned = from_matrix(
        example.hours[:, None],
        setup=example.setup.transpose(0, 2, 1),
        first=example.first,
        due=example.due,
        weight=example.weight,
        weights=TARDINESS_ONLY,
    )
    assert cost_of(turned, ((1, 3, 2, 0),)) != 98


def test_five_jobs_on_three_machines_end_at_8() -> None:
    """Optimum by two independent ways (enumeration and an integer program), both outside this project."""
    hours = [[4, 7, 9], [8, 3, 5], [6, 6, 2], [5, 9, 7], [3, 4, 8]]
    problem = from_matrix(hours)
    assert cost_of(problem, cheapest(problem) or ()) == 8
    start = insert_all(problem)
    assigned = assign(problem, start, lower_bound(problem, seconds=10), seconds=10)
    assert cost_of(problem, assigned.sequences) == 8
    assert assigned.bound.value == 8
    assert plan(problem, seconds=5, seed=1).measures.makespan == 8


@pytest.mark.skipif(not INSTANCES.exists(), reason="the published instances are not beside the project")
@pytest.mark.parametrize("name", ["21", "31", "41"])
def test_published_instances_to_proof(name: str) -> None:
    """Fanjul-Peyro & Ruiz 2010 (European Journal of Operational Research 207): 100 jobs, proved optima beside them."""
    words = (INSTANCES / f"{name}.txt").read_text().split()
    problem = from_matrix(np.array(words[2:], dtype=float).reshape(int(words[0]), int(words[1])))
    with (INSTANCES / "best-known.csv").open() as file:
        best = {row["instance"]: float(row["best_known_makespan"]) for row in csv.DictReader(file)}[name]
    bound = lower_bound(problem, seconds=60)
    assert bound.value <= best
    assigned = assign(problem, insert_all(problem), bound, seconds=60)
    assert cost_of(problem, assigned.sequences) == best
    assert assigned.bound.value == best


def test_setup_before_the_release() -> None:
    """Engineering prior, no source: a machine may be set up before the job is there, so the later of both counts."""
    problem = from_matrix([[2.0]], first=[[3.0]], release=[5.0], free=[1.0])
    (run,) = timeline(problem, ((0,),))
    assert (run.start, run.end) == (5.0, 7.0)
