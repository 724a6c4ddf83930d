"""General solvers on the makespan problem with setups, for the benchmark only (OR-tools, not a dependency)."""

from __future__ import annotations

from typing import Any

import numpy as np

from workers.planning.problem import Problem

WORKERS = 2


def tables(problem: Problem) -> tuple[Any, Any]:
    """hours[job, machine] and setup[machine, job, job] as whole numbers; every job may run everywhere."""
    hours = np.zeros((problem.jobs, problem.machines), dtype=np.int64)
    hours[problem.job, problem.machine] = problem.hours.astype(np.int64)
    return hours, problem.setup.astype(np.int64)


def routing(problem: Problem, seconds: float) -> int | None:
    """Jobs as stops, machines as vehicles, hours and setups as travel; the longest tour is what counts."""
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2

    hours, setup = tables(problem)
    jobs, machines = hours.shape
    manager = pywrapcp.RoutingIndexManager(jobs + 1, machines, jobs)
    model = pywrapcp.RoutingModel(manager)
    travels = []
    for machine in range(machines):
        matrix = np.zeros((jobs + 1, jobs + 1), dtype=np.int64)
        matrix[:jobs, :jobs] = setup[machine] + hours[None, :, machine]
        matrix[jobs, :jobs] = hours[:, machine]
        travels.append(model.RegisterTransitMatrix(matrix.tolist()))
    horizon = int(hours.sum())
    model.AddDimensionWithVehicleTransits(travels, 0, horizon, True, "time")
    for machine, travel in enumerate(travels):
        model.SetArcCostEvaluatorOfVehicle(travel, machine)
    model.GetDimensionOrDie("time").SetGlobalSpanCostCoefficient(1000)
    parameters = pywrapcp.DefaultRoutingSearchParameters()
    parameters.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION
    parameters.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    parameters.time_limit.FromMilliseconds(int(1000 * seconds))
    solution = model.SolveWithParameters(parameters)
    if solution is None:
        return None
    time = model.GetDimensionOrDie("time")
    return max(int(solution.Value(time.CumulVar(model.End(machine)))) for machine in range(machines))


def constraints(problem: Problem, seconds: float) -> int | None:
    """One circuit a machine; left out where there are more arcs than the model could be built for in the time."""
    from ortools.sat.python import cp_model

    hours, setup = tables(problem)
    jobs, machines = hours.shape
    if machines * jobs * jobs > 200_000:
        return None
    model = cp_model.CpModel()
    makespan = model.new_int_var(0, int(hours.sum()), "makespan")
    at = [[model.new_bool_var("") for _ in range(machines)] for _ in range(jobs)]
    for row in at:
        model.add_exactly_one(row)
    for machine in range(machines):
        arcs, load = [], []
        idle = model.new_bool_var("")
        arcs.append((jobs, jobs, idle))
        for job in range(jobs):
            arcs.append((job, job, ~at[job][machine]))
            load.append(int(hours[job, machine]) * at[job][machine])
            arcs += [(jobs, job, model.new_bool_var("")), (job, jobs, model.new_bool_var(""))]
            for other in range(jobs):
                if other != job:
                    follows = model.new_bool_var("")
                    arcs.append((job, other, follows))
                    load.append(int(setup[machine, job, other]) * follows)
        model.add_circuit(arcs)
        model.add(sum(load) <= makespan)
    model.minimize(makespan)
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = WORKERS
    status = solver.solve(model)
    return int(solver.objective_value) if status in (cp_model.OPTIMAL, cp_model.FEASIBLE) else None
