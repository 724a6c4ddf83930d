"""A thin hand on Open CASCADE: solids with exact faces, and their tessellation at a stated tolerance.

build123d and cadquery stand on the same kernel; it is taken directly since build123d holds marshmallow below 4 and
takes 1 GB installed, cadquery 1.3 GB, this 0.4 GB and five seconds.
"""

from __future__ import annotations

import math

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakePolygon, BRepBuilderAPI_Transform
from OCP.BRepFilletAPI import BRepFilletAPI_MakeChamfer, BRepFilletAPI_MakeFillet
from OCP.BRepGProp import BRepGProp
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.BRepPrimAPI import (
    BRepPrimAPI_MakeBox,
    BRepPrimAPI_MakeCone,
    BRepPrimAPI_MakeCylinder,
    BRepPrimAPI_MakePrism,
    BRepPrimAPI_MakeSphere,
    BRepPrimAPI_MakeTorus,
)
from OCP.gp import gp_Ax1, gp_Ax2, gp_Dir, gp_Pnt, gp_Trsf, gp_Vec
from OCP.GProp import GProp_GProps
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS

from workers.geometry.mesh import TriangleMesh, merged

UP = (0.0, 0.0, 1.0)


def box(x, y, z, at=(0.0, 0.0, 0.0)):
    return BRepPrimAPI_MakeBox(gp_Pnt(*map(float, at)), float(x), float(y), float(z)).Shape()


def cylinder(diameter, length, at=(0.0, 0.0, 0.0), along=UP):
    return BRepPrimAPI_MakeCylinder(_axes(at, along), diameter / 2, float(length)).Shape()


def cone(low, high, length, at=(0.0, 0.0, 0.0), along=UP):
    """Diameters at both ends."""
    return BRepPrimAPI_MakeCone(_axes(at, along), low / 2, high / 2, float(length)).Shape()


def sphere(diameter, at=(0.0, 0.0, 0.0)):
    return BRepPrimAPI_MakeSphere(gp_Pnt(*map(float, at)), diameter / 2).Shape()


def torus(ring_radius, tube_radius):
    return BRepPrimAPI_MakeTorus(float(ring_radius), float(tube_radius)).Shape()


def prism(outline, height, at=(0.0, 0.0, 0.0)):
    """A polygon [(x, y)] raised by height."""
    wire = BRepBuilderAPI_MakePolygon()
    for x, y in outline:
        wire.Add(gp_Pnt(x + at[0], y + at[1], float(at[2])))
    wire.Close()
    return BRepPrimAPI_MakePrism(BRepBuilderAPI_MakeFace(wire.Wire()).Face(), gp_Vec(0, 0, float(height))).Shape()


def regular(sides, across_flats, height, at, turn=0.0):
    radius = across_flats / 2 / math.cos(math.pi / sides)
    angles = [turn + 2 * math.pi * k / sides for k in range(sides)]
    return prism([(radius * math.cos(a), radius * math.sin(a)) for a in angles], height, at)


def stadium(length, width, height, at):
    """Round ends; length between their centres, along x, centred on at."""
    x, y, z = at
    bar = box(length, width, height, (x - length / 2, y - width / 2, z))
    return joined(bar, *(cylinder(width, height, (x + s * length / 2, y, z)) for s in (-1, 1)))


def joined(body, *others):
    for other in others:
        body = BRepAlgoAPI_Fuse(body, other).Shape()
    return body


def cut(body, *others):
    for other in others:
        body = BRepAlgoAPI_Cut(body, other).Shape()
    return body


def filleted(body, radius, chosen=lambda middle, step: True):
    """Edges rounded whose middle and vector from end to end are chosen."""
    return _eased(BRepFilletAPI_MakeFillet(body), body, radius, chosen)


def chamfered(body, width, chosen=lambda middle, step: True):
    """Edges cut at 45 degrees, chosen as for ``filleted``."""
    return _eased(BRepFilletAPI_MakeChamfer(body), body, width, chosen)


def _eased(maker, body, size, chosen):
    seen = []
    explorer = TopExp_Explorer(body, TopAbs_ShapeEnum.TopAbs_EDGE)
    while explorer.More():
        edge = TopoDS.Edge(explorer.Current())
        explorer.Next()
        if any(edge.IsSame(other) for other in seen):
            continue
        seen.append(edge)
        curve = BRepAdaptor_Curve(edge)
        ends = [_point(curve.Value(at)) for at in (curve.FirstParameter(), curve.LastParameter())]
        if chosen((ends[0] + ends[1]) / 2, ends[1] - ends[0]):
            maker.Add(size, edge)
    return maker.Shape()


def turned(body, axis, degrees):
    move = gp_Trsf()
    move.SetRotation(gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(*map(float, axis))), math.radians(degrees))
    return BRepBuilderAPI_Transform(body, move, True).Shape()


def volume(body):
    found = GProp_GProps()
    BRepGProp.VolumeProperties_s(body, found)
    return found.Mass()


def tessellated(body, chord_mm, angle_deg):
    """Triangles no farther than chord_mm from the faces, turning by no more than angle_deg from one to the next."""
    body = BRepBuilderAPI_Transform(body, gp_Trsf(), True).Shape()  # a copy without the mesh of another tolerance
    BRepMesh_IncrementalMesh(body, chord_mm, False, math.radians(angle_deg), False)
    points, faces, start = [], [], 0
    explorer = TopExp_Explorer(body, TopAbs_ShapeEnum.TopAbs_FACE)
    while explorer.More():
        face = TopoDS.Face(explorer.Current())
        explorer.Next()
        place = TopLoc_Location()
        own = BRep_Tool.Triangulation_s(face, place)
        move = place.Transformation()
        nodes = [own.Node(i + 1).Transformed(move) for i in range(own.NbNodes())]
        corners = np.array([own.Triangle(i + 1).Get() for i in range(own.NbTriangles())]) - 1
        if face.Orientation().name == "TopAbs_REVERSED":
            corners = corners[:, ::-1]
        points.append(np.array([_point(p) for p in nodes]))
        faces.append(corners + start)
        start += len(nodes)
    return TriangleMesh(*merged(np.concatenate(points).round(9), np.concatenate(faces)))


def _axes(at, along):
    return gp_Ax2(gp_Pnt(*map(float, at)), gp_Dir(*map(float, along)))


def _point(p):
    return np.array([p.X(), p.Y(), p.Z()])
