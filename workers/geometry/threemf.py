"""3MF through the consortium's own reader, strict, with the instances counted before they are expanded."""

from __future__ import annotations

import ctypes
from collections.abc import Iterator
from functools import cache
from typing import Any

import numpy as np

from workers.geometry.errors import MeshRefusedError, MeshTooLargeError, MeshUnsupportedError
from workers.geometry.limits import UNIT_MM, MeshLimits
from workers.geometry.mesh import Floats, Ints
from workers.geometry.package import check_package
from workers.geometry.text_formats import check_triangles

# In the order of the reader's ModelUnit.
_UNITS = ("micron", "mm", "cm", "inch", "foot", "m")
_OTHER, _MODEL, _SUPPORT, _SOLID_SUPPORT, _SURFACE = range(5)


def read_3mf(data: bytes, limits: MeshLimits) -> tuple[Floats, Ints, float, tuple[str, ...]]:
    """Points, faces, mm per unit, and notes on what was left out. Raises MeshRefusedError."""
    check_package(data, limits)
    import lib3mf

    try:
        model = _strict_model(data)
        book = _ObjectBook(model)
        _check_instances(book, limits)
        points, faces, notes = book.placed()
        scale = UNIT_MM[_UNITS[int(model.GetUnit())]]
    except lib3mf.ELib3MFException as problem:
        raise MeshRefusedError(f"The file breaks the 3MF specification: {str(problem)[:200]}.") from problem
    return points, faces, scale, notes


@cache
def _wrapper() -> Any:
    import lib3mf

    return lib3mf.get_wrapper()


def _strict_model(data: bytes) -> Any:
    """The parsed model; warnings of the reader are refusals."""
    import lib3mf

    model = _wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    at = 0

    def read(target: int, count: int, _user: int) -> int:
        nonlocal at
        block = data[at : at + count]
        ctypes.memmove(target, block, len(block))
        at += len(block)
        return len(block)

    def seek(position: int, _user: int) -> int:
        nonlocal at
        at = position
        return 0

    reader.ReadFromCallback(lib3mf.ReadCallback(read), len(data), lib3mf.SeekCallback(seek), None)
    if reader.GetWarningCount():
        raise MeshRefusedError(f"The file breaks the 3MF specification: {reader.GetWarning(0)[0]}.")
    return model


class _ObjectBook:
    """The objects of a model by their id, and the build's instances of them."""

    def __init__(self, model: Any) -> None:
        self.meshes = {m.GetUniqueResourceID(): m for m in _each(model.GetMeshObjects(), "GetCurrentMeshObject")}
        groups = _each(model.GetComponentsObjects(), "GetCurrentComponentsObject")
        self.parts: dict[int, list[tuple[int, Floats]]] = {
            g.GetUniqueResourceID(): [_component(g.GetComponent(i)) for i in range(g.GetComponentCount())]
            for g in groups
        }
        self.build = [_build_item(item) for item in _each(model.GetBuildItems(), "GetCurrent")]

    def placed(self) -> tuple[Floats, Ints, tuple[str, ...]]:
        """All instances of the build as one soup, in the model's unit."""
        points: list[Floats] = []
        faces: list[Ints] = []
        notes: dict[str, None] = {}
        start = 0
        for key, transform in self._instances():
            own, triangles = self._mesh(key, notes)
            if not len(triangles):
                continue
            points.append(own @ transform[:3] + transform[3])
            mirrored = np.linalg.det(transform[:3]) < 0
            faces.append((triangles[:, ::-1] if mirrored else triangles) + start)
            start += len(own)
        if not faces:
            raise MeshRefusedError("The 3MF's build holds no solid mesh: there is nothing to print in it.")
        return np.concatenate(points), np.concatenate(faces), tuple(notes)

    def _instances(self) -> Iterator[tuple[int, Floats]]:
        waiting = list(reversed(self.build))
        while waiting:
            key, transform = waiting.pop()
            if key in self.parts:
                waiting.extend((k, _chained(inner, transform)) for k, inner in reversed(self.parts[key]))
            else:
                yield key, transform

    def _mesh(self, key: int, notes: dict[str, None]) -> tuple[Floats, Ints]:
        mesh = self.meshes.get(key)
        if mesh is None:
            raise MeshUnsupportedError("The 3MF builds an object that is not a triangle mesh.")
        if mesh.BeamLattice().GetBeamCount():
            raise MeshUnsupportedError("The 3MF holds a beam lattice, which is not supported.")
        if int(mesh.GetType()) in (_SUPPORT, _SURFACE, _OTHER):
            notes["support, surface and other objects of the 3MF left out"] = None
            return np.empty((0, 3)), np.empty((0, 3), dtype=np.int64)
        return _arrays(mesh)


def _check_instances(book: _ObjectBook, limits: MeshLimits) -> None:
    """Counts what an expansion would yield, without expanding."""
    counts: dict[int, tuple[int, int]] = {key: (1, int(mesh.GetTriangleCount())) for key, mesh in book.meshes.items()}
    instances = triangles = 0
    for key, _ in book.build:
        own, faces = _expanded(key, book, counts, limits.nesting)
        instances, triangles = instances + own, triangles + faces
    if instances > limits.instances:
        raise MeshTooLargeError(f"The 3MF expands to {instances:,} instances; the limit is {limits.instances:,}.")
    check_triangles(triangles, limits)


def _expanded(key: int, book: _ObjectBook, counts: dict[int, tuple[int, int]], depth: int) -> tuple[int, int]:
    """(instances, triangles) of one object with all its components."""
    if key in counts:
        return counts[key]
    if depth <= 0:
        raise MeshTooLargeError("The 3MF's components are nested too deeply, or in a circle.")
    instances = triangles = 0
    for child, _ in book.parts.get(key, ()):
        own, faces = _expanded(child, book, counts, depth - 1)
        instances, triangles = instances + own, triangles + faces
    counts[key] = (instances, triangles)
    return counts[key]


def _each(iterator: Any, current: str) -> Iterator[Any]:
    while iterator.MoveNext():
        yield getattr(iterator, current)()


def _component(component: Any) -> tuple[int, Floats]:
    return component.GetObjectResource().GetUniqueResourceID(), _matrix(component.GetTransform())


def _build_item(item: Any) -> tuple[int, Floats]:
    return item.GetObjectResource().GetUniqueResourceID(), _matrix(item.GetObjectTransform())


def _matrix(transform: Any) -> Floats:
    """(4, 3): three rows that map x, y, z and a row that moves, for row vectors."""
    return np.array([list(row) for row in transform.Fields], dtype=np.float64)


def _chained(inner: Floats, outer: Floats) -> Floats:
    """First ``inner``, then ``outer``."""
    return np.concatenate([inner[:3] @ outer[:3], inner[3:] @ outer[:3] + outer[3:]])


def _arrays(mesh: Any) -> tuple[Floats, Ints]:
    points = np.frombuffer(b"".join(mesh.GetVertices()), dtype="<f4").reshape(-1, 3)
    faces = np.frombuffer(b"".join(mesh.GetTriangleIndices()), dtype="<u4").reshape(-1, 3)
    return points.astype(np.float64), faces.astype(np.int64)
