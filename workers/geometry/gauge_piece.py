"""The gauge piece: one small print that shows what a bore can lay. Our own design, made as a mesh, z up, in mm.

A plate carries, row by row, what grows finer or steeper: upright ribs, slots through a block, holes through the plate,
round bosses, bent strokes as lettering has them, and walls that lean over. Every size is a round figure on the drawing,
so its volume is known in closed form. Sizes are an engineering prior: from under a 0.25 mm bead to over a 0.8 mm bead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

import numpy as np

from workers.model.codec import from_json
from workers.model.part import FeatureKind, GeometrySummary

if TYPE_CHECKING:
    from manifold3d import Manifold

PLATE = (96.0, 74.0, 2.0)
FACETS = 96  # of every round
RIBS_MM = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 1.0, 1.2)  # thickness
SLOTS_MM = (0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.2)  # width
HOLES_MM = (2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)  # diameter through the corners of the facets
BOSSES_MM = (2.0, 3.0, 4.0, 5.0, 6.0, 8.0)
STROKES_MM = (0.3, 0.4, 0.5, 0.6, 0.8, 1.0)  # width
LEANS_DEG = (30.0, 40.0, 45.0, 50.0, 60.0, 70.0)  # from upright
RIB_LONG, RIB_HIGH = 9.0, 5.0
SLOT_LONG, SLOT_HIGH, SLOT_MARGIN = 7.0, 4.0, 2.4
BOSS_HIGH = 5.0
STROKE_LEG, STROKE_HIGH = 7.0, 0.8
LEAN_LONG, LEAN_HIGH, LEAN_THICK = 9.0, 4.0, 2.0
SUNK = 1.0  # how far what stands on the plate reaches into it, so that the bodies join


@dataclass(frozen=True, slots=True)
class GaugeFeature:
    """One graded feature. nominal: mm, of a lean degrees from upright. kind None: it is kept or lost, not measured."""

    name: str
    series: str
    nominal: float
    kind: FeatureKind | None = None
    facets: int | None = None

    @property
    def unit(self) -> str:
        return "°" if self.series == "lean" else "mm"


def features() -> tuple[GaugeFeature, ...]:
    """All features with their nominal sizes, series by series, the finest first."""
    graded = (
        ("rib", RIBS_MM, FeatureKind.RIB),
        ("slot", SLOTS_MM, FeatureKind.SLOT),
        ("hole", HOLES_MM, FeatureKind.HOLE),
        ("boss", BOSSES_MM, FeatureKind.BOSS),
        ("stroke", STROKES_MM, None),
        ("lean", LEANS_DEG, None),
    )
    return tuple(
        GaugeFeature(f"{series} {size:g}", series, size, kind, FACETS if series in {"hole", "boss"} else None)
        for series, sizes, kind in graded
        for size in sizes
    )


def volume_mm3() -> float:
    """In closed form: the plate and what stands on it, without what is cut out."""
    disc = FACETS / 2.0 * math.sin(2.0 * math.pi / FACETS)  # area of the polygon in a circle of radius 1
    block = _block_length() * SLOT_LONG * SLOT_HIGH
    return (
        math.prod(PLATE)
        + sum(size * RIB_LONG * RIB_HIGH for size in RIBS_MM)
        + block
        - sum(size * SLOT_LONG * SLOT_HIGH for size in SLOTS_MM)
        - sum(disc * (size / 2.0) ** 2 * PLATE[2] for size in HOLES_MM)
        + sum(disc * (size / 2.0) ** 2 * BOSS_HIGH for size in BOSSES_MM)
        + sum(size * (2.0 * STROKE_LEG - size) * STROKE_HIGH for size in STROKES_MM)
        + len(LEANS_DEG) * LEAN_THICK * LEAN_LONG * LEAN_HIGH
    )


@cache
def summary() -> GeometrySummary:
    """The geometry summary as analysed from the mesh, read from the package: an analysis costs seconds.

    Made anew by ``borewright summarise`` from the STL, the worst layers left out.
    """
    raw = files("workers.geometry").joinpath("gauge_piece.json").read_bytes()
    return from_json(raw, GeometrySummary)


@cache
def stl() -> bytes:
    """The piece as binary STL, the same bytes each time."""
    mesh = solid().to_mesh()
    corners = np.asarray(mesh.vert_properties[:, :3], dtype=np.float64)[np.asarray(mesh.tri_verts)]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)
    rows = np.zeros(len(corners), dtype=[("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    rows["n"], rows["v"] = normals, corners
    head = b"Borewright gauge piece, mm, z up".ljust(80)
    return bytes(head + np.uint32(len(rows)).tobytes() + rows.tobytes())


def solid() -> Manifold:
    """The piece as one body."""
    from manifold3d import Manifold, OpType

    whole = Manifold.batch_boolean([_box(0.0, 0.0, 0.0, *PLATE), *_standing()], OpType.Add)
    return Manifold.batch_boolean([whole, *_cut()], OpType.Subtract)


def _standing() -> list[Manifold]:
    """What stands on the plate, each sunk into it."""
    base, bodies = PLATE[2] - SUNK, []
    for x, size in _spread(RIBS_MM, 11.0):
        bodies.append(_box(x - size / 2.0, 62.0, base, size, RIB_LONG, RIB_HIGH + SUNK))
    bodies.append(_box(6.0, 50.0, base, _block_length(), SLOT_LONG, SLOT_HIGH + SUNK))
    for x, size in _spread(BOSSES_MM, 14.0):
        bodies.append(_round(x, 27.0, base, size, BOSS_HIGH + SUNK))
    for x, size in _spread(STROKES_MM, 14.0):
        bodies.append(_box(x, 13.0, base, STROKE_LEG, size, STROKE_HIGH + SUNK))
        bodies.append(_box(x, 13.0, base, size, STROKE_LEG, STROKE_HIGH + SUNK))
    for x, angle in _spread(LEANS_DEG, 13.5):
        bodies.append(_lean(x - 5.5, 2.0, angle))
        bodies.append(_box(x - 5.5, 2.0, base, LEAN_THICK, LEAN_LONG, SUNK))
    return bodies


def _cut() -> list[Manifold]:
    """What is cut out: the slots down to the plate, the holes through it."""
    bodies, x = [], 6.0 + SLOT_MARGIN
    for size in SLOTS_MM:
        bodies.append(_box(x, 49.0, PLATE[2], size, SLOT_LONG + 2.0, SLOT_HIGH + SUNK))
        x += size + SLOT_MARGIN
    bodies += [_round(x, 41.0, -1.0, size, PLATE[2] + 2.0) for x, size in _spread(HOLES_MM, 13.0)]
    return bodies


def _block_length() -> float:
    return sum(SLOTS_MM) + SLOT_MARGIN * (len(SLOTS_MM) + 1)


def _spread(sizes: tuple[float, ...], step: float) -> list[tuple[float, float]]:
    """x of each size, in a row with this step about the middle of the plate."""
    first = (PLATE[0] - step * (len(sizes) - 1)) / 2.0
    return [(first + step * i, size) for i, size in enumerate(sizes)]


def _box(x: float, y: float, z: float, dx: float, dy: float, dz: float) -> Manifold:
    from manifold3d import Manifold

    return Manifold.cube((dx, dy, dz)).translate((x, y, z))


def _round(x: float, y: float, z: float, diameter: float, height: float) -> Manifold:
    from manifold3d import Manifold

    return Manifold.cylinder(height, diameter / 2.0, circular_segments=FACETS).translate((x, y, z))


def _lean(x: float, y: float, degrees: float) -> Manifold:
    """A wall on the plate that leans over in x; sheared, so its volume does not depend on the angle."""
    shear = math.tan(math.radians(degrees))
    upright = _box(0.0, 0.0, 0.0, LEAN_THICK, LEAN_LONG, LEAN_HIGH)
    return upright.transform(((1.0, 0.0, shear, x), (0.0, 1.0, 0.0, y), (0.0, 0.0, 1.0, PLATE[2])))
