"""The cheapest line-up by going through all of them, written apart from the service: the check beside it."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from scipy.optimize import linprog

from workers.planning.lineup.problem import LineUpProblem


def cheapest(problem: LineUpProblem) -> float:
    """Every set of mountings that slots and pieces allow, each shared out by a dense linear program."""
    every = range(problem.mountings)
    sets = (chosen for size in range(problem.mountings + 1) for chosen in combinations(every, size))
    return min(cost(problem, chosen) for chosen in sets if allowed(problem, chosen))


def allowed(problem: LineUpProblem, chosen: tuple[int, ...]) -> bool:
    machines, kinds = [problem.machine[k] for k in chosen], [problem.kind[k] for k in chosen]
    return all(machines.count(m) <= problem.slots[m] for m in machines) and all(
        kinds.count(n) <= problem.pieces[n] for n in kinds
    )


def cost(problem: LineUpProblem, chosen: tuple[int, ...]) -> float:
    """Variables: share (J, n), outside (J,), hours over (M,)."""
    jobs, machines, n = problem.entries, problem.machines, len(chosen)
    count = jobs * n + jobs + machines
    prices, upper = np.zeros(count), np.full(count, np.inf)
    equal, most = np.zeros((jobs, count)), np.zeros((machines, count))
    for j in range(jobs):
        for i, k in enumerate(chosen):
            at = j * n + i
            printable = np.isfinite(problem.cost[j, k])
            prices[at], upper[at] = (problem.cost[j, k], np.inf) if printable else (0.0, 0.0)
            equal[j, at] = 1.0
            most[problem.machine[k], at] = problem.hours[j, k]
        prices[jobs * n + j] = problem.outside[j]
        equal[j, jobs * n + j] = 1.0
    for m in range(machines):
        prices[jobs * n + jobs + m] = problem.overload[m]
        most[m, jobs * n + jobs + m] = -1.0
    bounds = list(zip(np.zeros(count), upper, strict=True))
    found = linprog(prices, A_ub=most, b_ub=problem.room, A_eq=equal, b_eq=np.ones(jobs), bounds=bounds)
    assert found.status == 0
    return float(found.fun) + float(problem.once[list(chosen)].sum())
