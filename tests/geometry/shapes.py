"""Parts of known shape for the tests, made with manifold3d, and files of them."""

from __future__ import annotations

import io
import zipfile
from functools import cache
from pathlib import Path

import manifold3d
import numpy as np

from workers.geometry.mend import Solid, solid_of
from workers.geometry.mesh import TriangleMesh, merged

Body = manifold3d.Manifold
SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "meshes"
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"


def box(x, y, z, at=(0.0, 0.0, 0.0)):
    return Body.cube([x, y, z]).translate(at)


def cylinder(diameter, height, facets=64, at=(0.0, 0.0, 0.0)):
    """Standing on z = at[2], its corners on the diameter."""
    return Body.cylinder(height, diameter / 2, diameter / 2, facets).translate(at)


def torus(ring_radius, tube_radius, ring=48, tube=24):
    return manifold3d.CrossSection.circle(tube_radius, tube).translate([ring_radius, 0]).revolve(ring)


def plate_with_holes(holes, size=(60.0, 40.0, 8.0), facets=48):
    """A plate with upright through holes: (diameter, x, y)."""
    plate = box(*size)
    for diameter, x, y in holes:
        plate = plate - cylinder(diameter, size[2] + 2, facets, (x, y, -1))
    return plate


def stadium(length, width, height, facets=48, at=(0.0, 0.0, 0.0)):
    """A body with round ends: length between the centres."""
    ends = [manifold3d.CrossSection.circle(width / 2, facets).translate([s * length / 2, 0]) for s in (-1, 1)]
    bar = manifold3d.CrossSection.square([length, width], True)
    return Body.extrude(bar + ends[0] + ends[1], height).translate(at)


def strips(strokes, length=10.0, height=2.0, base=3.0):
    """Ribs of given widths standing on a plate, 4 mm apart, like the strokes of lettering."""
    part, y = box(length + 4, 4.0 * len(strokes) + 4, base), 3.0
    for stroke in strokes:
        part = part + box(length, stroke, height, (2.0, y, base))
        y += 4.0
    return part


def arrays(body):
    mesh = body.to_mesh64()
    return np.array(mesh.vert_properties[:, :3]), np.array(mesh.tri_verts).astype(np.int64)


def soup(*bodies):
    """Bodies side by side as one mesh, overlapping or not."""
    vertices, faces, start = [], [], 0
    for body in bodies:
        v, f = body if isinstance(body, tuple) else arrays(body)
        vertices.append(v)
        faces.append(f + start)
        start += len(v)
    return TriangleMesh(*merged(np.concatenate(vertices), np.concatenate(faces)))


def inverted(body):
    v, f = arrays(body)
    return v, f[:, ::-1]


def solid(body) -> Solid:
    return solid_of(soup(body))


def triangles(mesh):
    v, f = (mesh.vertices, mesh.faces) if isinstance(mesh, TriangleMesh) else arrays(mesh)
    return v[f]


def stl(mesh, scale=1.0) -> bytes:
    """Binary STL."""
    corners = triangles(mesh).astype(np.float64) * scale
    records = np.zeros(len(corners), dtype=[("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    records["v"] = corners
    return b"made for a test".ljust(80, b" ") + np.uint32(len(corners)).tobytes() + records.tobytes()


def ascii_stl(mesh) -> bytes:
    lines = ["solid part"]
    for a, b, c in triangles(mesh):
        lines += ["facet normal 0 0 0", "outer loop"]
        lines += [f"vertex {p[0]:.9g} {p[1]:.9g} {p[2]:.9g}" for p in (a, b, c)]
        lines += ["endloop", "endfacet"]
    return "\n".join([*lines, "endsolid part", ""]).encode()


def obj(mesh) -> bytes:
    v, f = arrays(mesh)
    lines = ["# a comment", "o part", *(f"v {x:.9g} {y:.9g} {z:.9g}" for x, y, z in v), "vn 0 0 1"]
    return "\n".join([*lines, *(f"f {a}//1 {b}//1 {c}//1" for a, b, c in f + 1), ""]).encode()


def off(mesh) -> bytes:
    v, f = arrays(mesh)
    lines = ["OFF", f"{len(v)} {len(f)} 0", *(f"{x:.9g} {y:.9g} {z:.9g}" for x, y, z in v)]
    return "\n".join([*lines, *(f"3 {a} {b} {c}" for a, b, c in f), ""]).encode()


def ply(mesh, binary=False) -> bytes:
    v, f = arrays(mesh)
    kind = "binary_little_endian" if binary else "ascii"
    head = (
        f"ply\nformat {kind} 1.0\ncomment for a test\nelement vertex {len(v)}\nproperty float x\nproperty float y\n"
        f"property float z\nelement face {len(f)}\nproperty list uchar int vertex_indices\nend_header\n"
    ).encode()
    if binary:
        rows = np.zeros(len(f), dtype=[("n", "u1"), ("i", "<i4", 3)])
        rows["n"], rows["i"] = 3, f
        return head + v.astype("<f4").tobytes() + rows.tobytes()
    lines = [f"{x:.9g} {y:.9g} {z:.9g}" for x, y, z in v] + [f"3 {a} {b} {c}" for a, b, c in f]
    return head + "\n".join([*lines, ""]).encode()


def mesh_xml(mesh) -> str:
    v, f = arrays(mesh)
    points = "".join(f'<vertex x="{x:.9g}" y="{y:.9g}" z="{z:.9g}"/>' for x, y, z in v)
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in f)
    return f"<mesh><vertices>{points}</vertices><triangles>{faces}</triangles></mesh>"


def model_xml(resources, build, *, unit="millimeter", attributes="", head='<?xml version="1.0" encoding="UTF-8"?>'):
    return (
        f'{head}<model unit="{unit}" xml:lang="en-US" xmlns="{CORE}" {attributes}>'
        f"<resources>{resources}</resources><build>{build}</build></model>"
    )


def simple_model(mesh, **options) -> str:
    return model_xml(f'<object id="1" type="model">{mesh_xml(mesh)}</object>', '<item objectid="1"/>', **options)


def package(model: str | bytes, extra=(), compression=zipfile.ZIP_DEFLATED) -> bytes:
    """A 3MF package (ISO/IEC 25422): content types, one relation, the model, and extra (name, bytes)."""
    types = (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
    )
    rels = (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        '<Relationship Target="/3D/3dmodel.model" Id="rel0" '
        'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
    )
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", compression) as z:
        z.writestr("[Content_Types].xml", types)
        z.writestr("_rels/.rels", rels)
        z.writestr("3D/3dmodel.model", model)
        for name, data in extra:
            z.writestr(name, data)
    return buffer.getvalue()


@cache
def shared(name: str) -> bytes:
    """A real mesh of the shared folder, or of trimesh's primitives where that folder is not at hand."""
    path = SHARED / name
    return path.read_bytes() if path.exists() else _stand_in(name)


def _stand_in(name: str) -> bytes:
    import trimesh

    if name.endswith(".3mf"):
        return package(simple_model(Body.sphere(10, 64)))
    if name.endswith(".off"):
        return trimesh.creation.icosphere(subdivisions=4, radius=7).export(file_type="off").encode()
    return trimesh.creation.annulus(r_min=3, r_max=10, height=5).export(file_type="stl")


REAL_MESHES = ("plate_holes.STL", "featuretype.STL", "ballA.off", "cube_gears.3mf", "sphere.3mf")


def missing_meshes() -> list[str]:
    """Real meshes that are not there; stand-ins take their place where only the method is tested."""
    return [name for name in REAL_MESHES if not (SHARED / name).is_file()]
