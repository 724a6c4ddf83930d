"""Candidates a second of the scoring core on one core: four models and gates included, 20 machines.

Run: python -m tests.benchmarks.bench_scoring
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import random
import time
from dataclasses import replace

from tests.builders import WIDTHS, block, chopped_fibre, machine, nozzle, plain, shop, sliding_hole, spool
from workers.model.evidence import EvidenceKey, Sums, bore_um, merged
from workers.model.fleet import Hotend
from workers.model.job import JobSpec, MaterialNeed
from workers.model.part import Axis, DetailCurves, FeatureKind, SectionProfile
from workers.model.shop import Shop
from workers.routing.decide import CHUNK, Router
from workers.routing.score import score
from workers.routing.table import build_table

MATERIALS = ("pla", "petg", "pa-cf")
JOBS = 400
ROUNDS = 5


def big_shop(machines: int = 20) -> Shop:
    """20 machines x 2 nozzles x 3 materials x 12 beads: 1,440 candidates a job."""
    bores = (0.25, 0.4, 0.5, 0.6, 0.8)
    fleet = [
        machine(
            f"m{i:02}",
            hotend=Hotend(fitting="short", flow_ceiling_mm3_s=10.0 + i, nozzle_temp_max_c=300.0),
            speed_max_mm_s=100.0 + 5 * i,
        )
        for i in range(machines)
    ]
    nozzles = [
        nozzle(f"n{i:02}-{slot}", bores[(i + 2 * slot) % 5], f"m{i:02}", slot=slot)
        for i in range(machines)
        for slot in (1, 2)
    ]
    return shop(
        machines=tuple(fleet),
        nozzles=tuple(nozzles),
        materials=(chopped_fibre(), plain("petg"), plain("pla")),
        spools=tuple(spool(name) for name in MATERIALS),
    )


def experienced(the_shop: Shop, prints: int = 7) -> Shop:
    """The same shop with outcomes on every pairing, no two alike: no two pairings share a prediction then."""
    rng = random.Random(2)
    evidence = []
    for nozzle_ in the_shop.nozzles:
        for material in the_shop.materials:
            key = EvidenceKey(
                machine_id=nozzle_.machine_id or "",
                nozzle_id=nozzle_.id,
                material_id=material.id,
                bore_um=bore_um(nozzle_.bore_mm),
            )
            n = rng.randint(1, prints)
            errors, ratios = [rng.randint(-500, 500) for _ in range(n)], [rng.randint(-200_000, 200_000)] * n
            hole = replace(key, kind=FeatureKind.HOLE, axis=Axis.VERTICAL)
            sizes = Sums(sized=n, size_100nm=sum(errors), size_100nm2=sum(e * e for e in errors))
            times = Sums(prints=n, volume_ul=n * 40_000, timed=n, ln_time_ppm=sum(ratios))
            evidence += [(hole, sizes), (key, replace(times, ln_time_ppm2=sum(r * r for r in ratios)))]
    return replace(the_shop, evidence=merged((), evidence))


def jobs(count: int, seed: int = 1) -> list[JobSpec]:
    """Jobs with curves, a 30-slab profile and one toleranced hole each, all different."""
    rng = random.Random(seed)
    return [_job(rng, i) for i in range(count)]


def _job(rng: random.Random, i: int) -> JobSpec:
    x, y, z = (round(rng.uniform(20, 150), 3) for _ in range(3))
    fill = [rng.uniform(0.2, 0.9) for _ in range(30)]
    dz = (z / 30,) * 30
    loss = sorted(rng.uniform(0, 0.05) for _ in WIDTHS)
    none = (0.0,) * len(WIDTHS)
    summary = block(
        x,
        y,
        z,
        volume_mm3=sum(x * y * f * d for f, d in zip(fill, dz, strict=True)),
        profile=SectionProfile(
            z_mm=tuple((k + 0.5) * z / 30 for k in range(30)),
            dz_mm=dz,
            area_mm2=tuple(x * y * f for f in fill),
            perimeter_mm=tuple(2 * (x + y) * (1 + f) for f in fill),
            islands=(1,) * 30,
        ),
        curves=DetailCurves(
            bead_width_mm=WIDTHS,
            feature_loss=tuple(loss),
            corner_loss=none,
            feature_gain=none,
            corner_gain=none,
        ),
    )
    return JobSpec(
        name=f"part {i}",
        summary=summary,
        material=MaterialNeed(material_ids=MATERIALS),
        tolerances=(sliding_hole(round(rng.uniform(4, 7), 2)),),
    )


def rate(seconds: float, candidates: int) -> str:
    return f"{candidates / seconds / 1e6:6.2f} million candidates/s, {seconds / candidates * 1e9:5.0f} ns each"


def main() -> None:
    the_shop, specs = big_shop(), jobs(JOBS)
    print(f"{JOBS} jobs x {the_shop_size(the_shop)} candidates, best of {ROUNDS}, CPU seconds of one core")
    measure("priors alone", the_shop, specs)
    measure("outcomes on every pairing", experienced(the_shop), specs)


def the_shop_size(the_shop: Shop) -> int:
    return build_table(the_shop, MATERIALS).width.size


def measure(title: str, the_shop: Shop, specs: list[JobSpec]) -> float:
    """Print both rates; give the candidates a second that are scored, gates and utility included."""
    table = build_table(the_shop, MATERIALS)
    per_job = table.width.size
    step = max(1, CHUNK // per_job)
    score(table, specs[:step], the_shop.emphasis)
    best_score = best_route = float("inf")
    router = Router(the_shop)
    router.route(specs[:step])
    for _ in range(ROUNDS):
        start = time.process_time()
        for at in range(0, len(specs), step):
            score(table, specs[at : at + step], the_shop.emphasis)
        best_score = min(best_score, time.process_time() - start)
        start = time.process_time()
        router.route(specs)
        best_route = min(best_route, time.process_time() - start)
    print(f"{title}: {table.fit_classes.count} distinct predictions of a size")
    print(f"  scores, gates, utility    {rate(best_score, len(specs) * per_job)}   (bar: 5 million/s)")
    print(f"  with ranking and routing  {rate(best_route, len(specs) * per_job)}")
    return len(specs) * per_job / best_score


if __name__ == "__main__":
    main()
