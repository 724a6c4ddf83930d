"""Line-up studies: a large shop in a minute, small ones proved. ``python -m tests.benchmarks.bench_lineup [SECONDS]``.

SECONDS (60): time limit of the large one; where other work takes most of the cores, a longer one makes up for it.
Baselines in the same run: today's line-up, and a greedy one (nozzles put on one by one while that pays). Wall-clock
seconds count what other work on the machine takes; CPU seconds of one core do not.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Iterator

import numpy as np

from tests.builders import block, chopped_fibre, curves, job, machine, nozzle, plain, shop, sliding_hole, spool
from tests.planning.lineup.problems import random_problem
from workers.model.fleet import TipMaterial
from workers.model.lineup import LineUpPrices, LineUpRequest, NozzleOffer
from workers.model.shop import Shop
from workers.planning.lineup.mix import Entry, Mix
from workers.planning.lineup.pool import pool_of
from workers.planning.lineup.search import greedy
from workers.planning.lineup.share import shared
from workers.planning.lineup.solve import solve
from workers.planning.lineup.study import problem_of, study

MACHINES, JOBS, WINDOW_H, LIMIT_S = 30, 2000, 400.0, 60.0
BORES = (0.25, 0.35, 0.4, 0.4, 0.45, 0.6, 0.6, 0.7, 0.8, 1.0)  # ten kinds owned, two more on offer


def large_shop(seed: int = 1) -> Shop:
    """Thirty machines of three prices and speeds, with nozzles mounted as they came, twenty more on the shelf."""
    source = random.Random(seed)
    kinds = [(bore, TipMaterial.BRASS if i % 2 else TipMaterial.HARDENED_STEEL) for i, bore in enumerate(BORES)]
    machines = tuple(
        machine(
            f"m{i:02}",
            nozzle_slots=2 if i % 10 == 0 else 1,
            hourly_cost=source.choice([1.5, 2.0, 3.0]),
            speed_max_mm_s=source.choice([100.0, 150.0, 250.0]),
            enclosed=source.random() < 0.6,
        )
        for i in range(MACHINES)
    )
    mounted = [(f"n{i:02}", f"m{i:02}", source.choice(kinds)) for i in range(MACHINES)]
    shelved = [(f"s{i:02}", None, kinds[i % len(kinds)]) for i in range(20)]
    nozzles = tuple(nozzle(name, bore, where, tip=tip) for name, where, (bore, tip) in (*mounted, *shelved))
    warm = plain("petg", polymer="PETG", nozzle_temp_min_c=230.0, nozzle_temp_max_c=250.0, melt_factor=0.8)
    materials = (chopped_fibre(enclosure_needed=True), plain(), warm)
    return shop(
        machines=machines, nozzles=nozzles, materials=materials, spools=tuple(spool(one.id) for one in materials)
    )


def jobs(count: int, seed: int = 2) -> Iterator[Entry]:
    """Parts with features of 0.3 to 1.3 mm, half of them with a sliding hole."""
    source = random.Random(seed)
    for i in range(count):
        x, y, z = source.uniform(15, 120), source.uniform(15, 120), source.uniform(10, 60)
        part = block(
            x,
            y,
            z,
            volume_mm3=x * y * z * source.uniform(0.1, 0.4),
            curves=curves(source.choice([0.3, 0.4, 0.5, 0.6, 0.9, 1.3]), source.uniform(0.02, 0.3)),
        )
        holes = (sliding_hole(source.choice([3.0, 5.0, 6.0, 8.0])),) if source.random() < 0.5 else ()
        material = source.choice(["pla", "pla", "petg", "pa-cf"])
        yield Entry(
            spec=job(
                f"j{i}", material=material, summary=part, tolerances=holes, quantity=source.choice([1, 1, 2, 4, 10])
            )
        )


def offers() -> tuple[NozzleOffer, ...]:
    return tuple(
        NozzleOffer(
            name=f"{bore} hard", bore_mm=bore, tip=TipMaterial.HARDENED_STEEL, fitting="short", price=25.0, at_most=5
        )
        for bore in (0.3, 0.5)
    )


def bench_large(limit_s: float) -> None:
    the_shop, entries = large_shop(), list(jobs(JOBS))
    request = LineUpRequest(offers=offers(), window_h=WINDOW_H, time_limit_s=limit_s)
    pool = pool_of(the_shop, request)
    began, cpu = time.monotonic(), time.process_time()
    matrix = Mix(the_shop, pool, entries, LineUpPrices(), None).matrix()
    print(f"{MACHINES} machines x {len(pool.kinds)} kinds x {JOBS} jobs, {len(pool.mountings)} mountings")
    print(f"  scoring all of them: {time.process_time() - cpu:.1f} CPU s")
    problem, cpu = problem_of(pool, matrix, request), time.process_time()
    simple = greedy(problem, seconds=limit_s / 4.0)
    print(f"  baseline, today's line-up: {shared(problem, pool.today).cost:.0f}")
    print(f"  baseline, greedy: {simple.cost:.0f} in {time.process_time() - cpu:.1f} CPU s")
    began, cpu = time.monotonic(), time.process_time()
    found = study(the_shop, request, entries)
    spent = f"{time.monotonic() - began:.0f} s, {time.process_time() - cpu:.0f} CPU s"
    print(f"  the study, offers and interval included: {found.best.costs.total:.0f}, bound {found.bound:.0f}, ")
    print(f"    gap {found.gap:.1%}, {spent} (bar: 60 s on 2 cores)")
    for sentence in found.sentences:
        print(f"    {sentence}")


def bench_small() -> None:
    """Proved optima: shops of up to eight machines."""
    for machines, kinds, entries in ((3, 4, 40), (5, 5, 100), (8, 6, 120)):
        gaps, spent = [], []
        for seed in range(5):
            problem = random_problem(seed, entries=entries, machines=machines, kinds=kinds, tight=0.8)
            cpu = time.process_time()
            gaps.append(solve(problem, seconds=20.0, seed=1).gap)
            spent.append(time.process_time() - cpu)
        proved = sum(gap <= 3e-6 for gap in gaps)
        print(
            f"{machines} machines x {kinds} kinds x {entries} jobs: {proved} of 5 proved, "
            f"largest gap {max(gaps):.2%}, median {np.median(spent):.1f} CPU s"
        )


if __name__ == "__main__":
    bench_large(float(sys.argv[1]) if len(sys.argv) > 1 else LIMIT_S)
    bench_small()
