"""STL, OBJ, PLY and OFF. Counts are checked against the bytes before anything is built."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np

from workers.geometry.errors import MeshRefusedError, MeshTooLargeError, MeshUnsupportedError
from workers.geometry.limits import MeshLimits
from workers.geometry.mesh import Floats, Ints, Points
from workers.geometry.sniff import is_binary_stl

_STL_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
Soup = tuple[Points, Ints]


def check_triangles(count: int, limits: MeshLimits) -> None:
    """Raises MeshTooLargeError above the triangle limit."""
    if count > limits.triangles:
        raise MeshTooLargeError(f"The mesh has {count:,} triangles; the limit is {limits.triangles:,}.")


def read_stl(data: bytes, limits: MeshLimits) -> Soup:
    """Points and faces of a binary or ASCII STL."""
    if is_binary_stl(data):
        return _read_binary_stl(data, limits)
    if re.match(rb"\s*solid\b", data[:200], re.IGNORECASE) and b"\0" not in data[:80]:
        return _read_ascii_stl(data, limits)
    raise MeshRefusedError(_binary_stl_size(data))


def _binary_stl_size(data: bytes) -> str:
    if len(data) < 84:
        return f"The STL ends in its header: {len(data)} bytes, at least 84 are needed."
    count = int.from_bytes(data[80:84], "little")
    return (
        f"The STL is cut short or damaged: its header says {count:,} triangles, which take "
        f"{84 + 50 * count:,} bytes, but the file has {len(data):,}."
    )


def _read_binary_stl(data: bytes, limits: MeshLimits) -> Soup:
    count = int.from_bytes(data[80:84], "little")
    check_triangles(count, limits)
    records = np.frombuffer(data, _STL_RECORD, count, 84)
    points = np.ascontiguousarray(records["corners"]).reshape(-1, 3)
    return points, np.arange(len(points), dtype=np.int64).reshape(-1, 3)


def _read_ascii_stl(data: bytes, limits: MeshLimits) -> Soup:
    lower = data.lower()
    facets, corners = len(re.findall(rb"\bfacet\s+normal\b", lower)), len(re.findall(rb"\bvertex\s", lower))
    check_triangles(facets, limits)
    if b"endsolid" not in lower:
        raise MeshRefusedError(f"The STL has no endsolid: it is cut short after {facets:,} triangles.")
    if corners != 3 * facets:
        raise MeshRefusedError(f"The STL has {facets:,} triangles but {corners:,} corners, not three each.")
    from trimesh.exchange.stl import load_stl_ascii

    parts = _parsed("STL", load_stl_ascii, io.BytesIO(data))
    points, faces = _joined(parts)
    return _counted("STL", points, faces, 3 * facets, facets)


def read_obj(data: bytes, limits: MeshLimits) -> Soup:
    """Points and faces of an OBJ; polygons are cut into fans, everything but v and f is passed over."""
    lines = data.replace(b"\\\r\n", b" ").replace(b"\\\n", b" ").splitlines()
    points = [line for line in lines if line[:2] in (b"v ", b"v\t")]
    faces = [re.sub(rb"/\S*", b"", line) for line in lines if line[:2] in (b"f ", b"f\t")]
    triangles = sum(len(line.split()) - 3 for line in faces)
    check_triangles(triangles, limits)
    if any(len(line.split()) < 4 for line in faces):
        raise MeshRefusedError("The OBJ has a face with fewer than three corners: it is cut short or damaged.")
    if not points or not faces:
        raise MeshRefusedError(f"The OBJ has {len(points):,} vertices and {len(faces):,} faces: no mesh.")
    _check_obj_numbers(lines, faces, len(points))
    from trimesh.exchange.obj import load_obj

    text = b"\n".join([b"v " + b" ".join(p.split()[1:4]) for p in points] + faces)
    parts = _parsed("OBJ", load_obj, io.BytesIO(text), maintain_order=True, skip_materials=True)
    return _counted("OBJ", *_joined(parts), len(points), triangles)


def _check_obj_numbers(lines: list[bytes], faces: list[bytes], count: int) -> None:
    joined = b" ".join(faces)
    if re.search(rb"\s0+(\s|$)", joined):
        raise MeshRefusedError("The OBJ has a face that names vertex 0; vertices count from 1.")
    if b"-" not in joined:
        return
    kinds = [line[:1] for line in lines if line[:2] in (b"v ", b"v\t", b"f ", b"f\t")]
    if b"v" in kinds[kinds.index(b"f") :]:
        raise MeshUnsupportedError(
            "The OBJ counts vertices backwards (negative numbers) between faces; export it with absolute numbers."
        )
    if min(int(n) for n in re.findall(rb"-\d+", joined)) < -count:
        raise MeshRefusedError(f"The OBJ has a face that counts back beyond its {count:,} vertices.")


def read_ply(data: bytes, limits: MeshLimits) -> Soup:
    """Points and faces of an ASCII or binary PLY."""
    head, _, body = data.partition(b"end_header")
    if not body:
        raise MeshRefusedError("The PLY has no end_header: it is cut short in its header.")
    counts = {name: int(n) for name, n in re.findall(rb"^\s*element\s+(\w+)\s+(\d{1,18})\s*$", head, re.MULTILINE)}
    vertices, faces = counts.get(b"vertex", 0), counts.get(b"face", 0)
    if not vertices or not faces:
        raise MeshRefusedError(f"The PLY says {vertices:,} vertices and {faces:,} faces: no mesh.")
    check_triangles(faces, limits)
    if sum(counts.values()) > len(body):
        raise MeshRefusedError(
            f"The PLY's header says {sum(counts.values()):,} records, but {len(body):,} bytes follow."
        )
    from trimesh.exchange.ply import load_ply

    clean = re.sub(rb"^\s*comment[^\n]*\n", b"", head, flags=re.MULTILINE) + b"end_header" + body
    parts = _parsed("PLY", load_ply, io.BytesIO(clean), skip_materials=True, fix_texture=False)
    points, triangles = _joined(parts)
    check_triangles(len(triangles), limits)
    if len(triangles) < faces:
        raise MeshRefusedError(f"The PLY says {faces:,} faces, but {len(triangles):,} could be read.")
    return _counted("PLY", points, triangles, vertices, None)


def read_off(data: bytes, limits: MeshLimits) -> Soup:
    """Points and faces of an ASCII OFF."""
    found = re.search(rb"OFF\s*(?:#[^\n]*\s*)*(\d{1,12})\s+(\d{1,12})", data[:4096])
    if found is None:
        raise MeshRefusedError("The OFF has no line with its counts of vertices and faces.")
    vertices, faces = int(found[1]), int(found[2])
    check_triangles(faces, limits)
    if 2 * (vertices + faces) > len(data):
        raise MeshRefusedError(
            f"The OFF says {vertices:,} vertices and {faces:,} faces, more than its {len(data):,} bytes can hold."
        )
    from trimesh.exchange.off import load_off

    points, triangles = _joined(_parsed("OFF", load_off, io.BytesIO(data)))
    check_triangles(len(triangles), limits)
    if len(triangles) < faces:
        raise MeshRefusedError(f"The OFF says {faces:,} faces, but {len(triangles):,} could be read.")
    return _counted("OFF", points, triangles, vertices, None)


def _parsed(kind: str, reader: Callable[..., Any], *args: Any, **options: Any) -> dict[str, Any]:
    """What a library reader returns; whatever it stumbles on becomes a refusal."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", DeprecationWarning)  # numpy's word for unreadable numbers
            return reader(*args, **options)  # type: ignore[no-any-return]
    except MemoryError:
        raise
    except Exception as problem:
        raise MeshRefusedError(f"The {kind} could not be read: {_brief(problem)}.") from problem


def _brief(problem: Exception) -> str:
    text = " ".join(str(problem).split()).rstrip(".")
    return (text or type(problem).__name__)[:160]


def _joined(part: dict[str, Any]) -> Soup:
    """One soup from a reader's answer: a single mesh or several under ``geometry``."""
    parts = list(part["geometry"].values()) if "geometry" in part else [part]
    parts = [p for p in parts if p.get("faces") is not None and np.size(p["faces"])]
    if not parts:
        raise MeshRefusedError("The file holds no triangles.")
    points = [_points(p["vertices"]) for p in parts]
    starts = np.cumsum([0] + [len(p) for p in points[:-1]])
    faces = [_triangles(p["faces"], len(own)) + start for p, own, start in zip(parts, points, starts, strict=True)]
    return np.concatenate(points), np.concatenate(faces)


def _points(raw: Any) -> Floats:
    try:
        return np.asarray(raw, dtype=np.float64).reshape(-1, 3)
    except (ValueError, TypeError, OverflowError) as problem:
        raise MeshRefusedError("The vertices are not all three numbers.") from problem


def _triangles(raw: Any, count: int) -> Ints:
    try:
        faces = np.asarray(raw, dtype=np.int64)
    except (ValueError, TypeError, OverflowError) as problem:
        raise MeshRefusedError("The faces are of mixed sizes or not numbers.") from problem
    if faces.ndim == 2 and faces.shape[1] == 4:
        faces = np.concatenate([faces[:, [0, 1, 2]], faces[:, [0, 2, 3]]])
    if faces.ndim != 2 or faces.shape[1] != 3:
        raise MeshUnsupportedError("The faces have more than four corners each; export triangles.")
    faces = np.where(faces < 0, faces + count, faces)
    if faces.min() < 0 or faces.max() >= count:
        raise MeshRefusedError(f"A face names a vertex beyond the {count:,} in the file.")
    return faces


def _counted(kind: str, points: Points, faces: Ints, vertices: int, triangles: int | None) -> Soup:
    if len(points) != vertices or (triangles is not None and len(faces) != triangles):
        raise MeshRefusedError(
            f"The {kind} holds numbers that cannot be read: {vertices:,} vertices were announced, "
            f"{len(points):,} found."
        )
    return points, faces
