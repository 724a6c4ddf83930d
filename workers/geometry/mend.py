"""Triangles to a closed solid, and an honest list of what had to be mended on the way.

Policy for shells inside shells: a point is material when more shells face outward around it than inward. A
shell turned inward inside a body is a cavity; one turned outward inside a body adds nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from workers.geometry.closing import covered, joined_corners, one_winding, without_doubles
from workers.geometry.errors import MeshNotSolidError
from workers.geometry.mesh import Floats, Ints, TriangleMesh, face_normals
from workers.geometry.shells import Shell, are_apart, shells_of
from workers.model.part import Trust

# Covers of up to this share of the surface leave the shape what it was; above it they are a guess.
# Engineering prior.
MOST_COVERED_SHARE = 0.01
# Covers larger than this share of the surface would invent the part. Engineering prior.
REFUSED_COVERED_SHARE = 0.5
# Below volume = this x surface^1.5 a surface encloses nothing (a 100 x 100 x 0.01 mm foil has 3.5e-5).
FLAT = 1e-6
# Single-precision files place equal corners this far apart, as a share of the longest side.
WELD_SHARES = (1e-6, 1e-5)
_MOST_PAIRWISE = 3_000


@dataclass(frozen=True, eq=False)
class Solid:
    """A closed body of manifold3d, with how it came about. Lengths in mm."""

    body: Any
    bodies: int
    watertight: bool
    mended: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    hints: tuple[str, ...] = ()
    trust: Trust = Trust.FULL

    @cached_property
    def volume_mm3(self) -> float:
        return float(self.body.volume())

    @cached_property
    def area_mm2(self) -> float:
        return float(self.body.surface_area())

    @cached_property
    def extents_mm(self) -> tuple[float, float, float]:
        x0, y0, z0, x1, y1, z1 = self.body.bounding_box()
        return (x1 - x0, y1 - y0, z1 - z0)

    def triangles(self) -> TriangleMesh:
        """The surface as it now is."""
        mesh = self.body.to_mesh64()
        vertices = np.asarray(mesh.vert_properties, dtype=np.float64)[:, :3]
        return TriangleMesh(vertices, np.asarray(mesh.tri_verts, dtype=np.int64))

    def turned(self, rotation: Floats) -> Solid:
        """The same solid in another pose, (3, 3) rotation, standing at z = 0."""
        body = self.body.transform(np.concatenate([rotation, np.zeros((3, 1))], axis=1))
        return replace(self, body=body.translate((0.0, 0.0, -body.bounding_box()[2])))


def solid_of(mesh: TriangleMesh) -> Solid:
    """A closed solid. Raises MeshNotSolidError when the triangles enclose nothing."""
    solid = _as_it_is(mesh) or _welded(mesh) or _rewound(mesh)
    solid = _united(solid)
    _refuse_flat(solid)
    return replace(solid, notes=mesh.notes, hints=mesh.hints)


def _build(vertices: Floats, faces: Ints) -> Any | None:
    """A manifold3d body, or None when the triangles do not close."""
    import manifold3d

    if not len(faces):
        return None
    mesh = manifold3d.Mesh64(
        np.array(vertices, dtype=np.float64, order="C"), np.array(faces, dtype=np.uint64, order="C")
    )
    body = manifold3d.Manifold(mesh)
    return body if body.status() == manifold3d.Error.NoError and body.num_tri() else None


def _as_it_is(mesh: TriangleMesh) -> Solid | None:
    body = _build(mesh.vertices, mesh.faces)
    return body and Solid(body, 1, True)


def _welded(mesh: TriangleMesh) -> Solid | None:
    """Corners that single precision pulled apart are joined again: rounding of the file, not damage."""
    for share in WELD_SHARES:
        weld = share * float(mesh.extents.max())
        faces = joined_corners(mesh.vertices, mesh.faces, weld)
        body = _build(mesh.vertices, faces)
        if body is not None:
            return Solid(body, 1, True, (f"corners up to {weld:.2g} mm apart joined",), trust=Trust.MENDED)
    return None


def _rewound(mesh: TriangleMesh) -> Solid:
    """Doubles dropped, one winding, openings covered."""
    weld = WELD_SHARES[0] * float(mesh.extents.max())
    faces, doubles = without_doubles(joined_corners(mesh.vertices, mesh.faces, weld))
    _, areas = face_normals(mesh.vertices[faces])
    faces, turned = one_winding(faces, areas)
    said = [f"{doubles:,} repeated triangles dropped"] * bool(doubles)
    said += [f"{turned:,} triangles turned round to agree with their neighbours"] * bool(turned)
    body = _build(mesh.vertices, faces)
    if body is not None:
        return Solid(body, 1, True, tuple(said), trust=Trust.MENDED)
    return _covered(mesh.vertices, faces, float(areas.sum()), said)


def _covered(vertices: Floats, faces: Ints, surface: float, said: list[str]) -> Solid:
    """The fallback for open surfaces: each opening is covered by a fan from its middle."""
    points, closed, count, area = covered(vertices, faces)
    body = _build(points, closed)
    if body is None:
        raise MeshNotSolidError(
            f"The triangles do not close, not even with {count:,} openings covered: no solid can be made of them."
        )
    share = area / max(surface, 1e-300)
    if share > REFUSED_COVERED_SHARE:
        raise MeshNotSolidError(
            f"The surface is open: covering its {count:,} openings takes {100 * share:.3g} % of the surface that is "
            f"there; up to {100 * REFUSED_COVERED_SHARE:g} % is tried."
        )
    said.append(f"{count:,} openings covered, {area:.4g} mm2 in all ({100 * share:.2g} % of the surface)")
    trust = Trust.MENDED if share <= MOST_COVERED_SHARE else Trust.LOW
    return Solid(body, 1, False, tuple(said), trust=trust)


def _united(solid: Solid) -> Solid:
    """Separate shells put together by the policy above; inside-out ones turned."""
    shells = shells_of(solid.triangles())
    firm = [s for s in shells if not _is_flat(s.volume_mm3, s.area_mm2)]
    if not firm:
        raise MeshNotSolidError("The triangles enclose no volume: a flat or open surface has no solid.")
    if len(shells) == 1:
        return _outward(solid, solid.body)
    if len(firm) > 1 and all(s.volume_mm3 > 0 for s in firm) and (not _boxes_meet(firm) or are_apart(firm)):
        return replace(solid, bodies=len(firm))
    bodies = [body for body in solid.body.decompose() if not _is_flat(body.volume(), body.surface_area())]
    if len(bodies) == 1:
        return _outward(solid, bodies[0])
    return _stacked(solid, sorted(bodies, key=lambda s: -abs(s.volume())))


def _is_flat(volume_mm3: float, area_mm2: float) -> bool:
    return bool(abs(volume_mm3) <= FLAT * area_mm2**1.5)


def _outward(solid: Solid, shell: Any) -> Solid:
    if shell.volume() > 0:
        return replace(solid, body=shell)
    return replace(_said(solid, "the surface was inside out: turned round"), body=_inverted(shell))


def _stacked(solid: Solid, shells: list[Any]) -> Solid:
    """Shells from the largest to the smallest, added or cut out by their direction."""
    import manifold3d

    whole, turned = manifold3d.Manifold(), 0
    before = sum(s.volume() for s in shells)
    for sign, run in _runs(shells):
        if sign > 0:
            whole = manifold3d.Manifold.batch_boolean([whole, *run], manifold3d.OpType.Add)
            continue
        for shell in map(_inverted, run):
            inside = (whole ^ shell).volume() > 0.5 * shell.volume()
            whole = whole - shell if inside else whole + shell
            turned += not inside
    result = replace(solid, body=whole, bodies=_bodies(whole))
    if turned:
        result = _said(result, f"{turned:,} bodies were inside out: turned round")
    elif abs(whole.volume() - before) > 1e-6 * abs(before):
        result = _said(result, "bodies that overlap united")
    return result


def _bodies(whole: Any) -> int:
    return sum(shell.volume() > 0 for shell in whole.decompose())


def _runs(shells: list[Any]) -> list[tuple[int, list[Any]]]:
    """Neighbours of the same direction together."""
    runs: list[tuple[int, list[Any]]] = []
    for shell in shells:
        sign = 1 if shell.volume() > 0 else -1
        if not runs or runs[-1][0] != sign:
            runs.append((sign, []))
        runs[-1][1].append(shell)
    return runs


def _said(solid: Solid, what: str) -> Solid:
    trust = Trust.LOW if solid.trust is Trust.LOW else Trust.MENDED
    return replace(solid, mended=(*solid.mended, what), trust=trust)


def _inverted(body: Any) -> Any:
    mesh = body.to_mesh64()
    turned = _build(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts)[:, ::-1])
    if turned is None:
        raise MeshNotSolidError("A shell that is inside out could not be turned round.")
    return turned


def _boxes_meet(shells: list[Shell]) -> bool:
    """Whether any two boxes overlap; taken as yes for very many shells."""
    if len(shells) > _MOST_PAIRWISE:
        return True
    boxes = np.array([s.box for s in shells])
    low, high = boxes[:, :3], boxes[:, 3:]
    meets = np.all((low[:, None] < high[None]) & (low[None] < high[:, None]), axis=2)
    return bool(meets.sum() > len(shells))


def _refuse_flat(solid: Solid) -> None:
    if solid.volume_mm3 <= 0 or _is_flat(solid.volume_mm3, solid.area_mm2):
        raise MeshNotSolidError(
            f"The triangles enclose {solid.volume_mm3:.3g} mm3 under {solid.area_mm2:.4g} mm2 of surface: "
            "that is no solid."
        )
