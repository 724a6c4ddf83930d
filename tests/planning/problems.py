"""Random small planning problems, and the cheapest schedule by the plainest enumeration there is."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
from hypothesis import strategies as st

from workers.planning.problem import PlanWeights, Problem, from_matrix
from workers.planning.schedule import cost_of


@st.composite
def problems(draw: st.DrawFn, jobs: int = 4, machines: int = 3) -> Problem:
    """Everything at once: eligibility, lopsided setups between families, releases, due dates, busy machines."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count = draw(st.integers(1, jobs))
    size = (count, draw(st.integers(1, machines)))
    families = draw(st.integers(1, 4))
    hours = random.integers(1, 20, size).astype(float)
    hours[random.random(size) < 0.25] = np.inf
    hours[np.arange(count), random.integers(0, size[1], count)] = 6.0
    dated, released, busy = draw(st.booleans()), draw(st.booleans()), draw(st.booleans())
    return from_matrix(
        hours,
        setup=random.integers(0, 25, (size[1], families, families)),
        first=random.integers(0, 9, (size[1], families)),
        family=random.integers(0, families, size),
        failure=random.random(size),
        release=random.integers(0, 25, count) if released else 0.0,
        due=np.where(random.random(count) < 0.3, np.inf, random.integers(4, 60, count)) if dated else np.inf,
        weight=random.integers(0, 5, count),
        free=random.integers(0, 12, size[1]) if busy else 0.0,
        weights=PlanWeights(
            tardiness=draw(st.sampled_from((0.0, 1.0))),
            makespan=draw(st.sampled_from((0.0, 0.5, 1.0))),
            flow=draw(st.sampled_from((0.0, 0.1))),
            setup=draw(st.sampled_from((0.0, 0.3))),
            failure=0.2,
        ),
    )


def enumerated(problem: Problem) -> float:
    """The least cost over every order of the jobs and every choice of pairings."""
    own = [np.flatnonzero(problem.job == job).tolist() for job in range(problem.jobs)]
    return min(
        cost_of(problem, spread(problem, chosen))
        for order in permutations(range(problem.jobs))
        for chosen in product(*(own[job] for job in order))
    )


def spread(problem: Problem, pairings: tuple[int, ...]) -> list[list[int]]:
    """Pairings, in their order, to their machines."""
    orders: list[list[int]] = [[] for _ in range(problem.machines)]
    for pairing in pairings:
        orders[problem.machine[pairing]].append(pairing)
    return orders


def recipe(jobs: int, machines: int, longest_setup: int, seed: int) -> Problem:
    """Makespan with setups by the recipe of Vallada & Ruiz 2011 (EJOR 211, from memory): hours U[1, 99],
    setups U[1, longest], longest of 9, 49, 99, 124, from each job to each other, machine by machine."""
    random = np.random.default_rng(seed)
    return from_matrix(
        random.integers(1, 100, (jobs, machines)),
        setup=random.integers(1, longest_setup + 1, (machines, jobs, jobs)),
    )
