"""The parts and what is true of them: every feature was put there by a size, a place and a direction."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from tests.geometry.cad import kernel
from workers.model.part import FeatureKind

HOLE, BOSS, FLAT, SLOT = FeatureKind.HOLE, FeatureKind.BOSS, FeatureKind.FLAT_HOLE, FeatureKind.SLOT
SIZES = range(2, 21)  # mm
DRILL_POINT_DEG = 118.0  # ISO 10899: the usual point of a twist drill
TURNS = {"vertical": None, "along x": ((0, 1, 0), 90), "along y": ((1, 0, 0), 90), "inclined": ((1, 2, 0), 33)}


@dataclass(frozen=True)
class Truth:
    """One feature: size (diameter, or across the flats, or width) and depth in mm, at the middle of its axis."""

    kind: FeatureKind
    size: float
    at: tuple[float, float, float]
    depth: float | None = None
    through: bool | None = None
    along: tuple[float, float, float] = (0.0, 0.0, 1.0)
    sides: int | None = None  # of a flat-sided hole

    def turned(self, turn):
        return replace(self, at=tuple(turn @ self.at), along=tuple(turn @ self.along))


@dataclass(frozen=True)
class Part:
    body: object
    truths: tuple[Truth, ...]

    def turned(self, name):
        if TURNS[name] is None:
            return self
        axis, degrees = TURNS[name]
        turn = rotation(axis, degrees)
        return Part(kernel.turned(self.body, axis, degrees), tuple(t.turned(turn) for t in self.truths))


def rotation(axis, degrees):
    """Rodrigues' formula."""
    x, y, z = np.array(axis) / np.linalg.norm(axis)
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    turn = math.radians(degrees)
    return np.eye(3) + math.sin(turn) * cross + (1 - math.cos(turn)) * cross @ cross


def row(sizes, gap=3.0):
    """(diameter, x, y) side by side with that gap, in steps across; and the length they take."""
    places, x = [], 4.0
    for size in sizes:
        x += size / 2 + gap
        places.append((float(size), x, 15.0 + size % 3))
        x += size / 2
    return places, x + 6


@cache
def through():
    places, length = row(SIZES)
    tools = [kernel.cylinder(d, 12, (x, y, -1)) for d, x, y in places]
    truths = [Truth(HOLE, d, (x, y, 5.0), 10.0, True) for d, x, y in places]
    return Part(kernel.cut(kernel.box(length, 40, 10), *tools), tuple(truths))


@cache
def blind():
    """Flat bottoms and drill points, turn about."""
    places, length = row(SIZES)
    body, truths = kernel.box(length, 40, 18), []
    for i, (d, x, y) in enumerate(places):
        depth = 3.0 + 0.25 * d
        body = kernel.cut(body, kernel.cylinder(d, depth + 1, (x, y, 18 - depth)))
        if i % 2:
            point = d / 2 / math.tan(math.radians(DRILL_POINT_DEG / 2))
            body = kernel.cut(body, kernel.cone(0, d, point, (x, y, 18 - depth - point)))
        truths.append(Truth(HOLE, d, (x, y, 18 - depth / 2), depth, False))
    return Part(body, tuple(truths))


@cache
def stepped():
    """Counterbored (2 to 11 mm) and countersunk (12 to 14 mm) through holes."""
    places, length = row(range(2, 15), gap=9.0)
    body, truths = kernel.box(length, 40, 12), []
    for d, x, y in places:
        body = kernel.cut(body, kernel.cylinder(d, 14, (x, y, -1)))
        if d < 12:
            wide = 1.75 * d
            body = kernel.cut(body, kernel.cylinder(wide, 6, (x, y, 8)))
            truths += [Truth(HOLE, d, (x, y, 4.0), 8.0, True), Truth(HOLE, wide, (x, y, 10.0), 4.0, False)]
        else:
            body = kernel.cut(body, kernel.cone(d, d + 4, 2, (x, y, 10)))
            truths.append(Truth(HOLE, d, (x, y, 5.0), 10.0, True))
    return Part(body, tuple(truths))


@cache
def near_edges():
    """Half a millimetre from an edge of the plate, and as near to one another."""
    body, truths, x = kernel.box(240, 24, 8), [], 0.5
    for d in SIZES:
        y = 0.5 + d / 2 if d % 2 else 23.5 - d / 2
        x += d / 2
        body = kernel.cut(body, kernel.cylinder(d, 10, (x, y, -1)))
        truths.append(Truth(HOLE, float(d), (x, y, 4.0), 8.0, True))
        x += d / 2 + 0.5
    return Part(body, tuple(truths))


@cache
def rod():
    """Cross holes of 2 to 9 mm through a rod of 30 mm: their ends are saddles; and a bore along one end."""
    body, truths = kernel.cylinder(30, 130), [Truth(BOSS, 30.0, (0, 0, 65.0))]
    for i, d in enumerate(range(2, 10)):
        z = 15.0 + 11 * i
        body = kernel.cut(body, kernel.cylinder(d, 40, (-20, 0, z), (1, 0, 0)))
        truths.append(Truth(HOLE, float(d), (0, 0, z), None, True, (1, 0, 0)))
    body = kernel.cut(body, kernel.cylinder(12, 21, (0, 0, 110)))
    return Part(body, (*truths, Truth(HOLE, 12.0, (0, 0, 120.0), 20.0, False)))


@cache
def sloped():
    """Upright holes through a roof of 25 degrees, and a face of 45 degrees: ends that are ellipses."""
    roof = [(0, 0), (200, 0), (200, 8), (100, 8 + 100 * math.tan(math.radians(25))), (0, 8)]
    body, truths = kernel.turned(kernel.prism(roof, 40), (1, 0, 0), 90), []
    for i, d in enumerate((2, 3, 5, 8, 12)):
        for x in (15 + 17 * i, 185 - 17 * i):
            body = kernel.cut(body, kernel.cylinder(d, 80, (x, -20, -1)))
            truths.append(Truth(HOLE, float(d), (x, -20.0, 0), None, True))
    tops = [8 + min(t.at[0], 200 - t.at[0]) * math.tan(math.radians(25)) for t in truths]
    return Part(body, tuple(replace(t, at=(t.at[0], -20, z / 2), depth=z) for t, z in zip(truths, tops, strict=True)))


@cache
def bosses():
    """Pins of 2 to 20 mm on a plate; every other one is drilled to half its width."""
    places, length = row(SIZES)
    body, truths = kernel.box(length, 40, 5), []
    for i, (d, x, y) in enumerate(places):
        body = kernel.joined(body, kernel.cylinder(d, 7, (x, y, 4)))
        truths.append(Truth(BOSS, d, (x, y, 8.0), 6.0))
        if i % 2:
            body = kernel.cut(body, kernel.cylinder(d / 2, 20, (x, y, -1)))
            truths.append(Truth(HOLE, d / 2, (x, y, 5.5), 11.0, True))
    return Part(body, tuple(truths))


@cache
def flat_sided():
    """Square, hexagonal and octagonal holes of 3 to 16 mm across the flats, through and blind, turned anyhow."""
    sizes = [3, 4, 5.5, 7, 8, 10, 13, 16]
    places, length = row([s * 1.2 for s in sizes for _ in range(3)])
    body, truths = kernel.box(length, 40, 10), []
    for i, (_, x, y) in enumerate(places):
        size, sides, open_ended = sizes[i // 3], (4, 6, 8)[i % 3], i % 2 == 0
        bottom = -1.0 if open_ended else 4.0
        body = kernel.cut(body, kernel.regular(sides, size, 20, (x, y, bottom), turn=0.3 * i))
        depth = 10.0 if open_ended else 6.0
        truths.append(Truth(FLAT, float(size), (x, y, 10 - depth / 2), depth, open_ended, sides=sides))
    return Part(body, tuple(truths))


@cache
def slots():
    """Round-ended, square-ended and corner-rounded slots of 0.8 to 8 mm."""
    body, truths = kernel.box(150, 190, 8), []
    for i, width in enumerate((0.8, 1.2, 2, 3, 4, 5, 6, 8)):
        y, depth = 10.0 + 22 * i, 8.0 if i % 2 else 5.0
        bottom = -1.0 if i % 2 else 3.0
        square = kernel.box(3 * width, width, 20, (60, y - width / 2, bottom))
        eased = kernel.box(3 * width, width, 20, (110, y - width / 2, bottom))
        eased = kernel.filleted(eased, 0.25 * width, lambda _middle, step: abs(step[2]) > 15)
        for tool, x in (
            (kernel.stadium(2 * width, width, 20, (25, y, bottom)), 25),
            (square, 60 + 1.5 * width),
            (eased, 110 + 1.5 * width),
        ):
            body = kernel.cut(body, tool)
            truths.append(Truth(SLOT, float(width), (x, y, 8 - depth / 2), depth, bool(i % 2)))
    return Part(body, tuple(truths))


@cache
def featureless():
    """Bodies without a round hole: by name."""
    block = kernel.box(30, 30, 12)
    upright = lambda _middle, step: abs(step[2]) > 5  # noqa: E731
    return {
        "torus": kernel.torus(12, 4),
        "thin torus": kernel.torus(12, 1),
        "fat torus": kernel.torus(12, 11),
        "sphere": kernel.sphere(20),
        "dimple": kernel.cut(block, kernel.sphere(16, (15, 15, 14))),
        "cone": kernel.cone(20, 6, 12),
        "conical hole": kernel.cut(block, kernel.cone(6, 10, 14, (15, 15, -1))),
        "octagon pocket": kernel.cut(block, kernel.regular(8, 12, 20, (15, 15, 4))),
        "octagon hole": kernel.cut(block, kernel.regular(8, 12, 20, (15, 15, -1))),
        "groove": kernel.cut(block, kernel.cylinder(8, 14, (0, 15, -1))),
        "rounded block": kernel.filleted(block, 4),
        "pocket of rounded corners": kernel.cut(block, kernel.filleted(kernel.box(14, 14, 14, (8, 8, -1)), 4, upright)),
        "open corner": kernel.cut(block, kernel.cylinder(8, 14, (0, 0, -1))),
        "grooved rod": kernel.cut(kernel.cylinder(30, 12), kernel.torus(15, 2)),
    }


WITH_HOLES = {one.__name__: one for one in (through, blind, stepped, near_edges, rod, sloped, bosses)}
