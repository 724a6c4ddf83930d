"""Flat-sided holes and slots: walls that look inwards from all sides of a convex outline."""

from __future__ import annotations

import math

import numpy as np

from workers.geometry.mesh import Floats
from workers.geometry.rounds import Found, is_through
from workers.geometry.walls import Surface, Wall, walls
from workers.model.part import FeatureKind

_OFF_MM = 0.03
_SAME_TURN = math.radians(2.0)
_PAIR_SHARE = 0.2  # of the wall's area that the two long sides of a slot must have
_SLOT_LENGTH = 1.4  # times the width; shorter outlines have no clear width
_MOST_SIDES = 400
Side = tuple[float, float, float]  # azimuth of the normal, place along it, area


def flats_of(surface: Surface, axes: list[Floats], taken: list[Found]) -> list[Found]:
    """Flat-sided holes (4, 6 or 8 equal sides) and slots around the given axes that no round hole took."""
    found: list[Found] = []
    every = np.ones(len(surface.turn_cos), dtype=bool)
    for axis in axes:
        for wall in walls(surface, axis, every):
            one = None if _is_taken(wall, taken) else _inward(wall)
            if one is not None and not any(_same_axis(one, other) for other in [*found, *taken]):
                found.append(one)
    return found


def _is_taken(wall: Wall, taken: list[Found]) -> bool:
    """Whether a round find sits in the middle of this wall and is as wide."""
    low, high = wall.flat.min(axis=0), wall.flat.max(axis=0)
    size = float((high - low).max())
    middle = wall.plane @ (low + high) / 2 + wall.axis * (wall.along.min() + wall.along.max()) / 2
    near = (other for other in taken if abs(other.size_mm - size) < 0.05 * size)
    return any(float(np.linalg.norm(other.at - middle)) < 0.05 * size + 0.05 for other in near)


def _same_axis(one: Found, other: Found) -> bool:
    apart = one.at - other.at
    return bool(np.linalg.norm(apart) < 0.1 * min(one.size_mm, other.size_mm)) and other.kind is not FeatureKind.BOSS


def _inward(wall: Wall) -> Found | None:
    if wall.widest_gap() > math.radians(100.0):
        return None
    sides = _sides(wall)
    if not 4 <= len(sides) <= _MOST_SIDES or not _looks_in(wall, sides):
        return None
    span = wall.span()
    if span is None:
        return None
    kind, size = _flat_hole(sides) or _slot(wall, sides) or (None, 0.0)
    if kind is None:
        return None
    low, high = wall.flat.min(axis=0), wall.flat.max(axis=0)
    centre = _middle(sides) if kind is FeatureKind.FLAT_HOLE else (low + high) / 2
    return Found(
        kind,
        size,
        span[1] - span[0],
        wall.plane @ centre + wall.axis * (span[0] + span[1]) / 2,
        wall.axis,
        is_through(wall),
        len(sides) if kind is FeatureKind.FLAT_HOLE else None,
        size if kind is FeatureKind.FLAT_HOLE else None,
    )


def _sides(wall: Wall) -> list[Side]:
    """Faces gathered by azimuth of the normal and place along it."""
    turn = np.arctan2(wall.facing[:, 1], wall.facing[:, 0])
    place = (wall.middles * wall.facing).sum(axis=1)
    order = np.argsort(turn)
    start = int(np.argmax(np.diff(np.append(turn[order], turn[order[0]] + 2 * math.pi)))) + 1
    order = np.roll(order, -start)
    unrolled = np.unwrap(turn[order])
    breaks = np.flatnonzero(np.diff(unrolled) > _SAME_TURN) + 1
    sides: list[Side] = []
    for group in np.split(np.arange(len(order)), breaks):
        faces = order[group]
        by_place = faces[np.argsort(place[faces])]
        for one in np.split(by_place, np.flatnonzero(np.diff(place[by_place]) > _OFF_MM) + 1):
            w = wall.areas[one]
            azimuth = float(np.average(unrolled[group], weights=wall.areas[faces]))
            sides.append((azimuth, float(np.average(place[one], weights=w)), float(w.sum())))
    weighty = 1e-3 * sum(s[2] for s in sides)
    return [s for s in sides if s[2] > weighty]


def _looks_in(wall: Wall, sides: list[Side]) -> bool:
    """Whether every corner lies in front of every side: a convex outline seen from within."""
    normals = np.array([(math.cos(t), math.sin(t)) for t, _, _ in sides])
    ahead = wall.flat @ normals.T - np.array([p for _, p, _ in sides])
    return bool(np.quantile(ahead.min(axis=1), 0.02) > -2 * _OFF_MM)


def _opposite(sides: list[Side], i: int) -> int | None:
    """The side that faces side i, if any."""
    for j, (azimuth, _, _) in enumerate(sides):
        if abs((azimuth - sides[i][0]) % (2 * math.pi) - math.pi) < _SAME_TURN:
            return j
    return None


def _flat_hole(sides: list[Side]) -> tuple[FeatureKind, float] | None:
    """4, 6 or 8 equal sides in facing pairs: the size across flats."""
    if len(sides) not in (4, 6, 8):
        return None
    pairs = [_opposite(sides, i) for i in range(len(sides))]
    if any(j is None for j in pairs):
        return None
    sizes = [-(sides[i][1] + sides[j][1]) for i, j in enumerate(pairs) if j is not None]
    if max(sizes) - min(sizes) > 0.01 * max(sizes) + _OFF_MM:
        return None
    turns = np.sort([s[0] for s in sides])
    steps = np.diff(np.append(turns, turns[0] + 2 * math.pi))
    return (FeatureKind.FLAT_HOLE, float(np.mean(sizes))) if np.ptp(steps) < 2 * _SAME_TURN else None


def _slot(wall: Wall, sides: list[Side]) -> tuple[FeatureKind, float] | None:
    """The distance of the two long sides of an outline clearly longer than wide."""
    i = max(range(len(sides)), key=lambda k: sides[k][2])
    j = _opposite(sides, i)
    if j is None or sides[i][2] + sides[j][2] < _PAIR_SHARE * sum(s[2] for s in sides):
        return None
    width = -(sides[i][1] + sides[j][1])
    along = np.array([-math.sin(sides[i][0]), math.cos(sides[i][0])])
    length = float(np.ptp(wall.flat @ along))
    return (FeatureKind.SLOT, width) if width > 0 and length > _SLOT_LENGTH * width else None


def _middle(sides: list[Side]) -> Floats:
    """The point at the same distance from all sides, in the least-squares sense."""
    normals = np.array([(math.cos(t), math.sin(t)) for t, _, _ in sides])
    design = np.column_stack([normals, -np.ones(len(sides))])
    solution, *_ = np.linalg.lstsq(design, np.array([p for _, p, _ in sides]), rcond=None)
    return np.asarray(solution[:2])
