"""Plots: CPU of each drawn anew against the same one kept, what the first costs its process, and a shop's matrix.

python -m tests.benchmarks.bench_plots
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable

from service.pages.plots.element import drawn
from service.pages.plots.matrix import Mark, MatrixRow
from service.pages.plots.plot import Plot
from tests.service.plot_samples import USUAL, matrix

ROUNDS = 30
STATES = ("fresh", "ageing", "none")
FIRST = """
import pathlib, time
import service.app
from service.pages.plots.element import drawn
from tests.service.plot_samples import USUAL
def resident(): return int(pathlib.Path("/proc/self/status").read_text().split("VmRSS:")[1].split()[0]) * 1024 / 1e6
before, began = resident(), time.process_time()
drawn(USUAL[0])
first = time.process_time() - began
for plot in USUAL: drawn(plot)
print(f"{first:.2f} s of CPU; the application {before:.0f} MB, after one plot of each kind {resident():.0f} MB")
"""


def milliseconds(draw: Callable[[Plot], object], plot: Plot) -> float:
    """CPU time of one drawing: the middle of many."""
    found = []
    for _ in range(ROUNDS):
        began = time.process_time()
        draw(plot)
        found.append(1e3 * (time.process_time() - began))
    return sorted(found)[ROUNDS // 2]


def shop_matrix(nozzles: int, materials: int) -> Plot:
    rows = (
        MatrixRow(f"Machine {i}", "0.4 brass", tuple(Mark(c, STATES[c % 3], "none", "2 h") for c in range(materials)))
        for i in range(nozzles)
    )
    return matrix(tuple(f"Material {i}" for i in range(materials)), *rows)


def main() -> None:
    done = subprocess.run([sys.executable, "-c", FIRST], capture_output=True, text=True, check=True)
    print("the first plot of a process:", done.stdout.strip())
    named = [(type(plot).__name__, plot) for plot in USUAL]
    named += [(f"matrix of {n} pairings", shop_matrix(n // 9, 9)) for n in (117, 450)]
    for name, plot in named:
        drawn(plot)
        anew, kept = milliseconds(drawn.__wrapped__, plot), milliseconds(drawn, plot)
        print(f"{name:24} drawn anew {anew:6.1f} ms, kept {kept:6.4f} ms, {len(drawn(plot)) / 1e3:5.1f} kB")


if __name__ == "__main__":
    main()
