"""What a part looks like on a screen: its triangles, made fewer where they are many, as binary STL."""

from __future__ import annotations

import gzip

import numpy as np

from workers.geometry.mend import Solid
from workers.geometry.mesh import Floats, Ints, TriangleMesh, face_normals

MOST_TRIANGLES = 20_000  # what an old phone still turns smoothly; about 1 MB of STL (engineering prior)
_FIRST_OFF = 2e-4  # share of the longest side that a surface may move in the first round; doubled each round
_ROUNDS = 8
_COARSEST = 4  # cells along the longest side below which nothing would be left to see
_ROW = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def display_stl(solid: Solid, most: int = MOST_TRIANGLES) -> bytes:
    """The surface of ``solid`` with at most ``most`` triangles: binary STL, in mm, gzip (RFC 1952).

    For looking only: edges may lie a few thousandths of the size off; nothing is measured from it.
    """
    return gzip.compress(_stl(_fewer(solid, most)), mtime=0)


def _fewer(solid: Solid, most: int) -> TriangleMesh:
    """Short edges are collapsed, further and further; what stays too fine (a lattice) is snapped to a grid."""
    body, off = solid.body, _FIRST_OFF * max(solid.extents_mm)
    for _ in range(_ROUNDS):
        if body.num_tri() <= most:
            break
        body, off = body.simplify(off), 2 * off
    mesh = Solid(body, solid.bodies, solid.watertight).triangles()
    cells = round((most / 2) ** 0.5)
    while len(mesh.faces) > most and cells >= _COARSEST:
        mesh, cells = _snapped(mesh, cells), cells * 3 // 4
    return TriangleMesh(mesh.vertices, mesh.faces[:most])


def _snapped(mesh: TriangleMesh, cells: int) -> TriangleMesh:
    """Corners in one cell of a grid become one, in their middle; triangles that lose a corner go."""
    low, step = mesh.vertices.min(axis=0), mesh.extents.max() / cells
    cell = np.floor((mesh.vertices - low) / step).astype(np.int64)
    _, label = np.unique(cell, axis=0, return_inverse=True)
    vertices = _middles(mesh.vertices, label.ravel())
    faces = label.ravel()[mesh.faces]
    a, b, c = faces.T
    kept = faces[(a != b) & (b != c) & (c != a)]
    _, first = np.unique(np.sort(kept, axis=1), axis=0, return_index=True)
    return TriangleMesh(vertices, kept[np.sort(first)])


def _middles(points: Floats, label: Ints) -> Floats:
    count = np.bincount(label)
    return np.column_stack([np.bincount(label, points[:, k]) / count for k in range(3)])


def _stl(mesh: TriangleMesh) -> bytes:
    """Header of 80 bytes, the count, 50 bytes a triangle, little-endian (Burns 1993, Automated Fabrication, 6.5)."""
    rows = np.zeros(len(mesh.faces), dtype=_ROW)
    rows["corners"] = mesh.corners
    rows["normal"] = face_normals(mesh.corners)[0]
    return b"\0" * 80 + np.uint32(len(rows)).tobytes() + rows.tobytes()
