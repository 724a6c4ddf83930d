"""Every bar of the service in one run, each in a short form, and one table at the end.

Run: python -m tests.benchmarks.all (about ten minutes on two calm cores; ``--million`` adds the largest mesh).
Some of it by name: python -m tests.benchmarks.all scoring memory
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from service.demo import Client, load_shop
from tests.benchmarks import bench_geometry, bench_scoring, bench_service, kill_rounds

SEED = 20
ROUNDS_OF_KILLS = 8
CONTRACT_EXAMPLES = 2
IMPORT_EVERYTHING = """
import importlib, pathlib, pkgutil, service, workers
import lib3mf, manifold3d, scipy.optimize, scipy.sparse.csgraph, scipy.spatial, shapely, trimesh
for package in (workers, service):
    for one in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        if not one.name.endswith(("gunicorn_conf", "__main__")):
            importlib.import_module(one.name)
print(pathlib.Path("/proc/self/status").read_text().split("VmRSS:")[1].split()[0])
"""


@dataclass(frozen=True, slots=True)
class Row:
    what: str
    found: str
    baseline: str
    bar: str
    is_met: bool


def scoring(folder: Path) -> Iterator[Row]:
    specs = bench_scoring.jobs(200)
    for words, shop in (
        ("priors alone", bench_scoring.big_shop()),
        ("outcomes on every pairing", bench_scoring.experienced(bench_scoring.big_shop())),
    ):
        found = bench_scoring.measure(words, shop, specs) / 1e6
        yield Row(f"scoring, {words}", f"{found:.1f} million/s", "one core, CPU time", ">= 5 million/s", found >= 5)


def intake(folder: Path) -> Iterator[Row]:
    with bench_service.service(folder / "nine") as (port, stores):
        load_shop(Client("127.0.0.1", port), time.time())
        middle, p99 = bench_service.single(port, stores)
        jobs_s, tasks_s = bench_service.batches("nine machines", port, stores, bench_service.DEMO_MATERIALS, rounds=2)
    found, bar = f"median {middle:.0f} ms, p99 {p99:.0f} ms", "30 ms, 150 ms"
    yield Row("intake to routed, one at a time", found, "", bar, middle <= 30 and p99 <= 150)
    ratio, baseline = jobs_s / tasks_s, f"{tasks_s:.0f} RQ no-op tasks/s"
    yield Row("batch of 5,000 jobs", f"{jobs_s:.0f} jobs/s: {ratio:.1f} times", baseline, ">= 10 times", ratio >= 10)


def queries(folder: Path) -> Iterator[Row]:
    with bench_service.service(folder / "twenty") as (port, stores):
        bench_service.stock_with_big_shop(stores)
        for callers in bench_service.CONNECTIONS:
            rates = bench_service.queries(folder, port, callers, seconds=4.0, rounds=2)
            baseline = f"{rates['bare']:.0f} requests/s, bare Flask"
            for name, words in (("same", "the same again"), ("new", "ever new")):
                ratio = rates[name] / rates["bare"]
                found = f"{rates[name]:.0f} requests/s: {ratio:.2f}"
                yield Row(f"routing queries, {words}, {callers} callers", found, baseline, ">= 0.5", ratio >= 0.5)


def geometry(folder: Path, million: bool = False) -> Iterator[Row]:
    small: list[float] = []
    apart: dict[str, float] = {}
    for name, path, fmt, unit, triangles in bench_geometry.meshes(folder, million):
        row = bench_geometry.in_own_process(path, fmt, unit, triangles <= 10_000)
        print(f"geometry, {name}, {triangles:,} triangles: {row['seconds']:.2f} s", flush=True)
        apart |= {name: row["apart"]} if "apart" in row else {}
        if triangles <= 10_000:
            small.append(row["seconds"])
        elif triangles > 50_000:
            limit = 5.0 if triangles > 500_000 else 1.0
            found = f"{row['seconds']:.1f} s"
            yield Row(f"geometry, {name}", found, "2 threads", f"<= {limit:g} s", row["seconds"] <= limit)
    found = f"median {median(small):.2f} s"
    yield Row("geometry, meshes up to 10k triangles", found, "2 threads", "<= 0.3 s", median(small) <= 0.3)
    worst = max(apart, key=lambda name: apart[name])
    found = f"{apart[worst]:.1e} ({worst})"
    yield Row("curves, the same meshes", found, "all 200 sections", "<= 1e-3", apart[worst] <= 1e-3)


def memory(folder: Path) -> Iterator[Row]:
    done = subprocess.run([sys.executable, "-c", IMPORT_EVERYTHING], capture_output=True, text=True, check=True)
    found = int(done.stdout) * 1024 / 1e6
    yield Row("memory, everything imported", f"{found:.0f} MB", "resident", "<= 300 MB", found <= 300)


def crash(folder: Path) -> Iterator[Row]:
    tally = kill_rounds.run(folder, ROUNDS_OF_KILLS, SEED, lambda line: print(line, flush=True))
    found = f"{tally.acknowledged} jobs: {tally.lost} lost, {tally.not_routed_once} not routed once"
    yield Row(f"kill -9, {ROUNDS_OF_KILLS} rounds under load", found, "", "0, 0", tally.is_clean)


def contract(folder: Path) -> Iterator[Row]:
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "tests/contract"]
    environ = {**os.environ, "BOREWRIGHT_CONTRACT_EXAMPLES": str(CONTRACT_EXAMPLES)}
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=environ)
    judged = re.search(r"contract: ([\d,]+) requests judged", done.stdout)
    is_met = done.returncode == 0
    found = f"{judged[1] if judged else 'no'} requests, {'all' if is_met else 'not all'} answered as described"
    yield Row("contract, by property", found, "", "no 5xx, all documented", is_met)


PARTS: dict[str, Callable[[Path], Iterator[Row]]] = {
    "scoring": scoring,
    "queries": queries,
    "intake": intake,
    "geometry": geometry,
    "memory": memory,
    "crash": crash,
    "contract": contract,
}


def table(rows: list[Row]) -> str:
    """Columns as wide as what stands in them."""
    head = ("what", "found", "baseline", "bar", "")
    cells = [head, *((r.what, r.found, r.baseline, r.bar, "met" if r.is_met else "MISSED") for r in rows)]
    widths = [max(len(line[i]) for line in cells) for i in range(len(head))]
    return "\n".join("  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)) for line in cells)


def main() -> int:
    parser = argparse.ArgumentParser(description="Every bar in one run; the exit code is 1 where one is missed.")
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], help="all, or some of these")
    parser.add_argument("--million", action="store_true", help="with the mesh of a million triangles")
    chosen = parser.parse_args()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    rows: list[Row] = []
    for name in chosen.parts or PARTS:
        print(f"\n== {name}", flush=True)
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
            made = geometry(Path(folder), chosen.million) if name == "geometry" else PARTS[name](Path(folder))
            rows += list(made)
    print(f"\n{table(rows)}")
    return 0 if all(row.is_met for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
