"""The horizontal cuts through a body, kept so that nothing is cut twice, and their outlines."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from workers.geometry.mesh import Floats

# Outlines are thinned by this before offsetting: 1/100 of the narrowest bead.
THINNED_MM = 0.001
# Corners of all cuts kept together: 16 bytes each. A lattice of 900,000 triangles has a million in 194 cuts.
MOST_KEPT = 4_000_000


@dataclass(eq=False)
class Cuts:
    """Cuts of a manifold3d body at some heights (n,), mm, kept until they have MOST_KEPT corners together."""

    body: Any
    z: Floats
    _kept: dict[int, Any] = field(default_factory=dict)
    _corners: int = 0

    def cut(self, k: int) -> list[Floats]:
        """The rings of cut k as the body has them, not thinned; the cut is kept for later if there is room."""
        section = self._section(k)
        rings: list[Floats] = section.to_polygons()
        if k not in self._kept and self._corners < MOST_KEPT:
            self._kept[k] = section
            self._corners += sum(len(ring) for ring in rings)
        return rings

    def rings(self, k: int, thinned_mm: float = THINNED_MM) -> list[Floats]:
        """Outer rings counter-clockwise and holes clockwise (m, 2), thinned, the first corner not repeated."""
        rings = _thinned(self._section(k), thinned_mm)
        shape = polygon_of(rings)
        return rings if shape.is_valid else _rings_of(_mended(shape))

    def outline(self, k: int, thinned_mm: float = THINNED_MM) -> Any:
        """Cut k as a valid shapely polygon or multipolygon."""
        return outline_of(self._section(k), thinned_mm)

    def _section(self, k: int) -> Any:
        section = self._kept.get(k)
        return self.body.slice(float(self.z[k])) if section is None else section


def outline_of(section: Any, thinned_mm: float) -> Any:
    """A manifold3d cross-section as a valid shapely polygon or multipolygon."""
    shape = polygon_of(_thinned(section, thinned_mm))
    return shape if shape.is_valid else _mended(shape)


def _thinned(section: Any, thinned_mm: float) -> list[Floats]:
    rings = section.simplify(thinned_mm).to_polygons() if thinned_mm else section.to_polygons()
    return [ring for ring in rings if len(ring) > 2]


def polygon_of(rings: list[Floats]) -> Any:
    """Rings, the outer ones counter-clockwise, as one shapely polygon or multipolygon; not made valid."""
    import shapely

    return nested([shapely.linearrings(ring) for ring in rings]) if rings else shapely.MultiPolygon()


def _mended(shape: Any) -> Any:
    import shapely

    return shapely.make_valid(shape, method="structure", keep_collapsed=False)


def _rings_of(shape: Any) -> list[Floats]:
    import shapely

    polygons = shapely.get_parts(shapely.orient_polygons(shape))
    rings = shapely.get_rings(polygons[shapely.get_type_id(polygons) == 3])
    return [shapely.get_coordinates(ring)[:-1] for ring in rings]


def nested(rings: list[Any]) -> Any:
    """Outer rings run counter-clockwise, holes clockwise: each hole goes to the smallest ring around it."""
    import shapely

    signed = [shapely.is_ccw(ring) for ring in rings]
    outers = sorted((shapely.polygons(r) for r, ccw in zip(rings, signed, strict=True) if ccw), key=lambda p: p.area)
    holes = [r for r, ccw in zip(rings, signed, strict=True) if not ccw]
    if len(outers) == 1:
        return shapely.Polygon(outers[0].exterior, holes)
    owned: dict[int, list[Any]] = {}
    tree = shapely.STRtree(outers)
    for hole in holes:
        around = tree.query(shapely.Point(hole.coords[0]), predicate="intersects")
        if len(around):
            owned.setdefault(int(around.min()), []).append(hole)
    return shapely.MultiPolygon([shapely.Polygon(p.exterior, owned.get(i, [])) for i, p in enumerate(outers)])
