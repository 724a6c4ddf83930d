"""The door for meshes: bytes, a declared format and a unit in; triangles in millimetres out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from workers.geometry import text_formats
from workers.geometry.errors import MeshRefusedError, MeshTooLargeError
from workers.geometry.limits import MIB, UNIT_MM, MeshLimits
from workers.geometry.mesh import Points, TriangleMesh, merged
from workers.geometry.sniff import sniffed_format
from workers.model.errors import InvalidError

_READERS = {
    "stl": text_formats.read_stl,
    "obj": text_formats.read_obj,
    "ply": text_formats.read_ply,
    "off": text_formats.read_off,
}
# Longest sides outside this are worth a word, never a silent rescale. Engineering prior.
_USUAL_MM = (1.0, 1_000.0)


def load_mesh(data: bytes, *, fmt: str | None, unit: str, limits: MeshLimits | None = None) -> TriangleMesh:
    """The triangles of a mesh file, in mm, equal corners merged, degenerate triangles dropped.

    fmt is one of stl, 3mf, obj, ply, off, or None to go by the content; unit is a key of UNIT_MM and is
    passed over for 3MF, which carries its own. Raises MeshRefusedError (or a subclass) with the reason.
    """
    limits = limits or MeshLimits()
    if len(data) > limits.upload_bytes:
        raise MeshTooLargeError(
            f"The file has {len(data) / MIB:.1f} MiB; the limit is {limits.upload_bytes / MIB:g} MiB."
        )
    kind = sniffed_format(data, fmt)
    points: Points
    if kind == "3mf":
        from workers.geometry.threemf import read_3mf

        points, faces, scale, notes = read_3mf(data, limits)
    else:
        scale, notes = _unit_mm(unit), ()
        points, faces = _READERS[kind](data, limits)
    return _checked(points, faces, scale, notes, limits)


def _unit_mm(unit: str) -> float:
    try:
        return UNIT_MM[unit]
    except KeyError:
        raise InvalidError(f"Unit {unit[:20]!r} is not known; one of {', '.join(UNIT_MM)}.") from None


def _checked(
    points: Points, faces: np.ndarray, scale: float, notes: tuple[str, ...], limits: MeshLimits
) -> TriangleMesh:
    """Finite, of a sane size, merged, and without triangles that have lost a corner."""
    if not len(faces):
        raise MeshRefusedError("The file holds no triangles.")
    if not np.isfinite(points).all():
        bad = ~np.isfinite(points).all(axis=1)
        raise MeshRefusedError(
            f"{int(bad.sum()):,} vertices are not finite numbers; the first is number {int(bad.argmax()) + 1:,}."
        )
    if points.dtype == np.float32:  # what differs in single precision differs in millimetres too
        vertices, faces = merged(points, faces)
        vertices *= scale
    else:
        vertices, faces = merged(points * scale, faces)
    a, b, c = faces.T
    lost = (a == b) | (b == c) | (c == a)
    if lost.all():
        raise MeshRefusedError("Every triangle of the file is degenerate (two of its corners coincide).")
    if lost.any():
        faces = faces[~lost]
        notes = (*notes, f"{int(lost.sum()):,} degenerate triangles dropped")
    mesh = TriangleMesh(vertices, faces, notes)
    return replace(mesh, hints=_size_hints(mesh, limits))


def _size_hints(mesh: TriangleMesh, limits: MeshLimits) -> tuple[str, ...]:
    """A hint when the size is unusual. Raises when no machine could be meant."""
    longest = float(mesh.extents.max())
    if not limits.smallest_mm <= longest <= limits.largest_mm:
        raise MeshTooLargeError(
            f"The longest side is {longest:.6g} mm; it must be between {limits.smallest_mm:g} and "
            f"{limits.largest_mm:g} mm. Is the unit right?"
        )
    low, high = _USUAL_MM
    if low <= longest <= high:
        return ()
    return (f"the longest side is {longest:.4g} mm: is the unit right? nothing was rescaled",)
