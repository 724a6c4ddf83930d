"""Mesh to summary: seconds, peak memory, and how far the curves are from computing every layer.

Run `python -m tests.benchmarks.bench_geometry` (add `--million` for the largest mesh, `--offsets-all` to compare that
one too, which takes minutes). Each mesh is analysed in a process of its own, two threads, imports not counted. Beside
it stands the plain way on the same layers: an offset inwards and outwards for every width (shapely, GEOS), and how far
the two are apart at most, as a share of a section. On a machine that is shared, read CPU seconds: half of them is what
two free cores would take at best.
"""

from __future__ import annotations

import argparse
import importlib
import json
import math
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.geometry import shapes

REFERENCE_LAYERS = 200
NO_OFFSETS_ABOVE = 200_000


def made() -> dict[str, object]:
    """Generated parts, by name."""
    grid = [(6.0, 8 + 10 * (i % 10), 8 + 10 * (i // 10)) for i in range(100)]
    letters = [0.2 + 0.1 * k for k in range(12)]
    return {
        "plate, 100 holes": lambda: shapes.plate_with_holes(grid, (106.0, 106.0, 8.0), 64),
        "lettered plate": lambda: shapes.strips(letters, 40.0),
        "ball, 8k": lambda: shapes.Body.sphere(20, 128),
        "ball, 100k": lambda: shapes.Body.sphere(20, 448),
        "gears, fine": lambda: refined("cube_gears.3mf", "mm", 2),
        "featuretype, fine": lambda: refined("featuretype.STL", "inch", 6),
        "ballA, fine": lambda: refined("ballA.off", "mm", 5),
        "plate_holes, fine": lambda: refined("plate_holes.STL", "mm", 9),
        "gyroid, 100k": lambda: gyroid(0.9),
        "gyroid, 900k": lambda: gyroid(0.315),
    }


def refined(name: str, unit: str, pieces: int) -> object:
    """A real mesh with each edge cut into so many pieces: about 100,000 triangles."""
    from workers.geometry.load import load_mesh
    from workers.geometry.mend import solid_of

    return solid_of(load_mesh(shapes.shared(name), fmt=name.rpartition(".")[2].lower(), unit=unit)).body.refine(pieces)


def gyroid(edge: float) -> object:
    """A sheet lattice of 1 mm walls in a 30 mm cube, the heaviest kind of section."""
    k = 2 * math.pi / 10

    def depth(x: float, y: float, z: float) -> float:
        wave = math.sin(k * x) * math.cos(k * y) + math.sin(k * y) * math.cos(k * z) + math.sin(k * z) * math.cos(k * x)
        return 0.4 - abs(wave)

    return shapes.Body.level_set(depth, [-15.0] * 3 + [15.0] * 3, edge)


def measured(path: Path, fmt: str, unit: str, reference: bool) -> dict[str, float]:
    """One mesh in this process, with imported and compiled what the warm process has."""
    from workers.geometry import warm_server
    from workers.geometry.compiled import compile_all

    for name in warm_server._IMPORTED:
        importlib.import_module(name)
    compile_all()
    summarise = sys.modules["workers.geometry.summary"].summarise
    data = path.read_bytes()
    begun, cpu = time.perf_counter(), time.process_time()
    summary = summarise(data, fmt=fmt, unit=unit)
    result = {
        "seconds": time.perf_counter() - begun,
        "cpu": time.process_time() - cpu,
        "peak_mib": peak_mib(),
    }
    layers = layer_set(data, fmt, unit)
    begun_curves = time.process_time()
    layers.compute()
    result["curves_cpu"] = time.process_time() - begun_curves
    result["layers"], result["slabs"] = len(layers.done), len(layers.slabs.z)
    result["apart"] = difference(summary, layers)
    if reference:
        begun_plain = time.process_time()
        result["offsets"] = by_offsets(layers, sorted(layers.done))
        result["plain_cpu"] = time.process_time() - begun_plain
    return result


def peak_mib() -> float:
    """The most memory this process has held (VmHWM: unlike ru_maxrss not inherited from the parent)."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def layer_set(data: bytes, fmt: str, unit: str):
    from workers.geometry.layers import LayerCurveSet, corners_for
    from workers.geometry.load import load_mesh
    from workers.geometry.mend import solid_of
    from workers.geometry.sections import slabs_of

    solid = solid_of(load_mesh(data, fmt=fmt, unit=unit))
    mesh = solid.triangles()
    return LayerCurveSet(slabs_of(solid, mesh, REFERENCE_LAYERS), most_corners=corners_for(len(mesh.faces)))


def by_offsets(layers, slabs: list[int]) -> float:
    """The same layers by offsets, each width by itself; returns the largest difference, as a share of a section."""
    from workers.geometry.granulometry import BEAD_WIDTHS_MM, filled, lost

    def apart(k: int) -> float:
        section, curves = layers.slabs.outline(k), layers.done[k]
        worst = 0.0
        for side, change in enumerate((lost, filled)):
            for i, width in enumerate(BEAD_WIDTHS_MM):
                true = change(section, width)
                worst = max(worst, abs(curves.feature[side, i] + curves.corner[side, i] - true.feature - true.corner))
        return worst / max(section.area, 1e-9)

    with ThreadPoolExecutor(2) as pool:
        return max(pool.map(apart, slabs))


def difference(summary: object, layers) -> float:
    """The largest difference of any curve from every slab computed."""
    from workers.geometry.layers import LayerCurveSet

    names = ("feature_loss", "corner_loss", "feature_gain", "corner_gain")
    ours, theirs = summary.curves, LayerCurveSet(layers.slabs).every().curves()
    return max(abs(a - b) for n in names for a, b in zip(getattr(ours, n), getattr(theirs, n), strict=True))


def bar(triangles: int) -> float:
    """Seconds on two threads."""
    return 0.3 if triangles <= 10_000 else 1.0 if triangles <= 200_000 else 5.0


def in_own_process(path: Path, fmt: str, unit: str, reference: bool) -> dict[str, float]:
    command = [sys.executable, "-m", __spec__.name, "--one", str(path), fmt, unit, str(int(reference))]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--million", action="store_true")
    options.add_argument("--offsets-all", action="store_true")
    options.add_argument("--one", nargs=4)
    chosen = options.parse_args()
    if chosen.one:
        path, fmt, unit, reference = chosen.one
        print(json.dumps(measured(Path(path), fmt, unit, reference == "1")))
        return
    print(
        f"{'part':18}{'triangles':>10}{'layers':>9}{'s':>7}{'cpu s':>7}{'bar s':>7}{'MiB':>6}"
        f"{'curves cpu s':>14}{'by offsets':>12}{'apart':>9}{'from 200 layers (bar 1e-3)':>28}"
    )
    with tempfile.TemporaryDirectory() as folder:
        for name, path, fmt, unit, triangles in meshes(Path(folder), chosen.million):
            wanted = triangles <= NO_OFFSETS_ABOVE or chosen.offsets_all
            row = in_own_process(path, fmt, unit, wanted)
            plain, apart = (f"{row['plain_cpu']:.2f}", f"{row['offsets']:.0e}") if wanted else ("-", "-")
            print(
                f"{name:18}{triangles:>10,}{row['layers']:>5}/{row['slabs']:<3}{row['seconds']:>7.2f}{row['cpu']:>7.2f}"
                f"{bar(triangles):>7g}{row['peak_mib']:>6.0f}{row['curves_cpu']:>14.2f}{plain:>12}{apart:>9}"
                f"{row['apart']:>28.1e}",
                flush=True,
            )


def meshes(folder: Path, million: bool):
    """(name, path, format, unit, triangles) of every mesh."""
    from workers.geometry.load import load_mesh

    for name in ("plate_holes.STL", "featuretype.STL", "ballA.off", "sphere.3mf", "cube_gears.3mf"):
        path = folder / name
        path.write_bytes(shapes.shared(name))
        fmt, unit = path.suffix[1:].lower(), "inch" if name.startswith("feature") else "mm"
        yield name, path, fmt, unit, len(load_mesh(path.read_bytes(), fmt=fmt, unit=unit).faces)
    for name, make in made().items():
        if "900k" in name and not million:
            continue
        body = make()
        path = folder / "made.stl"
        path.write_bytes(shapes.stl(body))
        yield name, path, "stl", "mm", body.num_tri()


if __name__ == "__main__":
    main()
