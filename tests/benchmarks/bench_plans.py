"""The planner: gaps on published instances, and with setups the ratio to dispatch rules and to general solvers.

Run: python -m tests.benchmarks.bench_plans [published] [setups] [shop] [--seconds 10] [--instances FOLDER]
- published: makespan without setups (Fanjul-Peyro & Ruiz 2010), best known values beside them, read from a folder (by
  default one beside the project) of files ``NAME.txt`` (jobs, machines, then a row of hours a job) and best-known.csv;
- setups: makespan by the recipe of Vallada & Ruiz 2011, a longer run as yardstick for the small one, and general
  solvers on the same instances with as many seconds, one after the other (the routing and the constraint solver of
  OR-tools where it can be imported: it is no dependency of the project);
- shop: due dates, families, failures: cost against the rules.
Each figure that there is a bar for is printed with it. Processor seconds stand beside the clock's, since other work
on the machine takes its share: 10 s on two quiet cores are up to 20.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import csv
import importlib.util
import resource
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tests.benchmarks import general_solvers
from tests.planning.problems import recipe
from workers.planning.plan import Plan, plan
from workers.planning.problem import PlanWeights, Problem, from_matrix
from workers.planning.rules import best_atcs, first_done, first_free
from workers.planning.schedule import cost_of

INSTANCES = Path(__file__).parents[3] / "shared" / "benchmarks" / "unrelated-machines"
SETUPS = ((40, 5, 124), (100, 10, 124), (500, 50, 124))
GAPS = {False: 1.0, True: 3.0}  # bars: mean gap in % up to 200 jobs, and with 500
ABOVE_LONG = 5.0  # bar: % above the longer run
SHOPS = ((60, 8, 8), (200, 15, 12))


def planned(problem: Problem, seconds: float) -> tuple[Plan, float]:
    """The plan and the processor seconds it took."""
    began = processor_seconds()
    made = plan(problem, seconds=seconds, seed=1)
    return made, processor_seconds() - began


def processor_seconds() -> float:
    """Of this process and of those it waited for."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def published(folder: Path) -> Iterator[tuple[str, Problem, float]]:
    with (folder / "best-known.csv").open() as file:
        for row in csv.DictReader(file):
            words = (folder / f"{row['instance']}.txt").read_text().split()
            hours = np.array(words[2:], dtype=float).reshape(int(words[0]), int(words[1]))
            yield row["instance"], from_matrix(hours), float(row["best_known_makespan"])


def bench_published(seconds: float, instances: Path) -> None:
    if not (instances / "best-known.csv").exists():
        print(f"published: there are no instances in {instances}; name their folder with --instances")
        return
    print("instance  jobs machines  best-known  planned  gap %  bound  list  rule  cpu s")
    gaps: dict[bool, list[float]] = {False: [], True: []}
    for name, problem, best in published(instances):
        made, cpu = planned(problem, seconds)
        gap = 100.0 * (made.measures.cost / best - 1.0)
        gaps[problem.jobs >= 500].append(gap)
        rules = f"{cost_of(problem, first_done(problem)):5.0f} {cost_of(problem, best_atcs(problem)):5.0f}"
        print(
            f"{name:>8} {problem.jobs:5} {problem.machines:8} {best:11.0f} {made.measures.cost:8.0f} {gap:6.2f}"
            f" {made.bound:6.0f} {rules} {cpu:6.1f}",
            flush=True,
        )
    for large, label in ((False, "up to 200 jobs"), (True, "500 jobs")):
        print(bar(f"mean gap {label}", float(np.mean(gaps[large])), GAPS[large], "%"))


def bar(what: str, found: float, most: float, unit: str = "") -> str:
    return f"{what}: {found:.2f} {unit}, bar {most:g}: {'met' if found <= most else 'MISSED'}"


def bench_setups(seconds: float, instances: Path) -> None:
    for jobs, machines, longest in SETUPS:
        problem = recipe(jobs, machines, longest, seed=1)
        made, cpu = planned(problem, seconds)
        show(f"{jobs} x {machines}, setups to {longest}", made, cpu)
        if jobs <= 50:
            long, cpu = planned(problem, 12 * seconds)
            excess = 100.0 * (made.measures.cost / long.measures.cost - 1.0)
            print(f"  a run 12 times as long: {long.measures.cost:.0f} ({cpu:.0f} cpu s)")
            print(bar("  above it", excess, ABOVE_LONG, "%"), flush=True)
        # A plan leaves the slower rules out where its time is short, so they are asked here.
        others = [cost_of(problem, rule(problem)) for rule in (first_free, first_done, best_atcs)]
        if importlib.util.find_spec("ortools") is None:
            print("  general solvers: OR-tools cannot be imported")
            continue
        for name, solver in (
            ("routing solver", general_solvers.routing),
            ("constraint solver", general_solvers.constraints),
        ):
            began = time.process_time()
            found = solver(problem, seconds)
            print(f"  {name}: {found or 'nothing'} ({time.process_time() - began:.1f} cpu s)", flush=True)
            others += [float(found)] if found else []
        if jobs > 50:
            print(bar("  ratio to the best of rules and solvers", made.measures.cost / min(others), 1.0), flush=True)


def shop(jobs: int, machines: int, families: int, seed: int) -> Problem:
    """An invented shop: lognormal hours, machines differing by 0.6 to 1.6, a third of the pairings impossible."""
    random = np.random.default_rng(seed)
    base = random.lognormal(1.0, 0.7, jobs)
    hours = base[:, None] * random.uniform(0.6, 1.6, (jobs, machines))
    hours[random.random((jobs, machines)) < 0.3] = np.inf
    hours[np.arange(jobs), random.integers(0, machines, jobs)] = base
    setup = random.uniform(0.1, 0.5, (families, families)) * ~np.eye(families, dtype=bool)
    horizon = base.sum() / machines
    return from_matrix(
        hours,
        setup=setup,
        first=random.uniform(0.0, 0.5, (machines, families)),
        family=random.integers(0, families, (jobs, machines)),
        failure=random.uniform(0.0, 2.0, (jobs, machines)),
        release=np.where(random.random(jobs) < 0.2, random.uniform(0.0, horizon / 2, jobs), 0.0),
        due=np.where(random.random(jobs) < 0.2, np.inf, random.uniform(2.0, 1.5 * horizon, jobs)),
        weight=random.integers(1, 5, jobs),
        free=random.uniform(0.0, 4.0, machines),
        weights=PlanWeights(),
    )


def bench_shop(seconds: float, instances: Path) -> None:
    for jobs, machines, families in SHOPS:
        made, cpu = planned(shop(jobs, machines, families, seed=1), seconds)
        show(f"shop of {jobs} x {machines}, {families} families", made, cpu)
        m = made.measures
        print(
            f"  late {m.late_jobs}, setups {m.setups}, makespan {m.makespan:.1f}, tardiness {m.weighted_tardiness:.1f}"
        )


def show(title: str, made: Plan, cpu: float) -> None:
    cost = made.measures.cost
    ratios = ", ".join(f"{name} {one:.1f} (ratio {cost / one:.2f})" for name, one in made.rules.items())
    print(f"{title}: {cost:.1f} by {made.method}, bound {made.bound:.1f} ({made.bound_kind}), gap {made.gap:.1%}")
    print(f"  {ratios}; {made.rounds} rounds, {made.seconds:.1f} s, {cpu:.1f} cpu s", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("parts", nargs="*", default=["published", "setups", "shop"], metavar="PART")
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--instances", type=Path, default=INSTANCES)
    given = parser.parse_args()
    parts = {"published": bench_published, "setups": bench_setups, "shop": bench_shop}
    for name in given.parts:
        parts[name](given.seconds, given.instances)


if __name__ == "__main__":
    main()
