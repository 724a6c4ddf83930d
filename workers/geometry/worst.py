"""The layers where detail goes first, with the regions each bead width loses, as rings a page can draw."""

from __future__ import annotations

from typing import Any

from workers.geometry.curves import LayerCurves
from workers.geometry.granulometry import BEAD_WIDTHS_MM, GAIN, LOSS, features_at
from workers.geometry.layers import LayerCurveSet
from workers.model.part import LostRegion, WorstLayer

DRAWN_MM = (0.25, 0.4, 0.5, 0.6, 0.8, 1.0, 1.25)  # beads of the common bores
MOST_LAYERS = 3
MOST_POINTS = 2_000
_DRAWN_TO_MM = 0.005  # outlines are thinned by this first: finer is not seen, and costs
Ring = tuple[tuple[float, float], ...]


def worst_layers(layers: LayerCurveSet) -> tuple[WorstLayer, ...]:
    """The one to three computed layers that lose or fill most, those of the narrowest beads first."""
    chosen: dict[int, None] = {}
    for width in DRAWN_MM:
        for side in (LOSS, GAIN):
            worst = max(layers.done, key=lambda k: (_change_mm2(layers.done[k], side, width), -k))
            if _change_mm2(layers.done[worst], side, width) > 1e-6:
                chosen[worst] = None
    if not chosen:
        chosen = {max(layers.done, key=lambda k: (float(layers.done[k].corner.sum()), -k)): None}
    return tuple(_drawn(layers, k) for k in list(chosen)[:MOST_LAYERS])


def _change_mm2(layer: LayerCurves, side: int, width: float) -> float:
    return float(layer.feature[side, BEAD_WIDTHS_MM.index(width)])


def _drawn(layers: LayerCurveSet, k: int) -> WorstLayer:
    section, layer = layers.slabs.outline(k, _DRAWN_TO_MM), layers.done[k]
    pieces: list[dict[float, Any]] = []
    for side in (LOSS, GAIN):
        widths = [width for width in DRAWN_MM if _change_mm2(layer, side, width) > 0]
        pieces.append(dict(zip(widths, features_at(section, side, widths), strict=True)))
    regions = []
    for width in DRAWN_MM:
        lost, filled = (_rings(list(of_side.get(width, ()))) for of_side in pieces)
        if lost or filled:
            regions.append(LostRegion(bead_width_mm=width, lost=lost, filled=filled))
    return WorstLayer(z_mm=round(float(layers.slabs.z[k]), 4), outline=_rings([section]), regions=tuple(regions))


def _rings(shapes: list[Any]) -> tuple[Ring, ...]:
    """Outlines and holes of polygons, thinned until they have at most MOST_POINTS corners."""
    import shapely

    tolerance = 0.005
    while True:
        thin = [shapely.simplify(shape, tolerance) for shape in shapes]
        if shapely.get_num_coordinates(thin).sum() <= MOST_POINTS or tolerance > 1:
            break
        tolerance *= 2
    rings: list[Ring] = []
    for polygon in shapely.get_parts(thin):
        if polygon.geom_type == "Polygon" and not polygon.is_empty:
            rings += [_ring(ring) for ring in (polygon.exterior, *polygon.interiors)]
    return tuple(rings)


def _ring(ring: Any) -> Ring:
    return tuple((round(x, 3), round(y, 3)) for x, y in ring.coords[:-1])
