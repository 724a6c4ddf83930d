"""Sections of many kinds, as shapely polygons, and the rings they are made of."""

import math

import shapely
from shapely.affinity import translate

SQUARE = shapely.box(0, 0, 20, 20)
FRAME = shapely.box(0, 0, 6, 6).difference(shapely.box(0.55, 1.2, 5, 4.9))


def strip(width, length=10.0):
    return shapely.box(0, 0, length, width)


def comb(rib, height=3.0):
    """A bar with one rib standing on it."""
    return SQUARE.union(shapely.box(9, 20, 9 + rib, 20 + height))


def slotted(slot, depth=8.0):
    return SQUARE.difference(shapely.box(9, 20 - depth, 9 + slot, 21))


def rings(section):
    """The (m, 2) rings of a section: outer ones counter-clockwise, holes clockwise."""
    polygons = shapely.get_parts(shapely.orient_polygons(section))
    return [shapely.get_coordinates(ring)[:-1] for polygon in polygons for ring in shapely.get_rings(polygon)]


def of_many_kinds():
    strokes = [translate(strip(w), 0, 3 * i) for i, w in enumerate((0.15, 0.35, 0.62, 0.9, 1.7))]
    holes = shapely.MultiPoint([(3, 2.5), (6.4, 2.5)]).buffer(1.6, 24)
    turns = [(i * math.pi / 7, 8 if i % 2 else 3) for i in range(14)]
    return {
        "comb": comb(0.7),
        "slotted": slotted(1.1),
        "knurled": shapely.union_all([SQUARE, *(shapely.box(x, 19, x + 0.85, 20.35) for x in range(1, 19, 2))]),
        "letters": shapely.union_all(strokes),
        "two holes near": shapely.box(0, 0, 9, 5).difference(holes),
        "frame and isle": FRAME.union(shapely.box(2, 2, 4, 4.2)),
        "neighbours": shapely.union_all([SQUARE, translate(SQUARE, 20.33), translate(strip(0.44), 2, -1.2)]),
        "thin ring": shapely.Point(0, 0).buffer(5, 32).difference(shapely.Point(0.3, 0).buffer(4.2, 32)),
        "star": shapely.Polygon([(r * math.cos(t), r * math.sin(t)) for t, r in turns]),
    }
