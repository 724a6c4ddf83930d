"""Flat-sided holes and slots: walls that look inwards from all sides of a convex outline."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from workers.geometry.finds import Finds, Found
from workers.geometry.mesh import Floats
from workers.geometry.rounds import is_through
from workers.geometry.walls import Wall
from workers.model.part import FeatureKind

_OFF_MM = 0.03
_SAME_TURN = math.radians(3.0)
_LONGER = 1.03  # a convex outline is as long as its hull
_PAIR_SHARE = 0.2  # of the wall's area that the two long sides of a slot must have
_SLOT_LENGTH = 1.4  # times the width; shorter outlines have no clear width
_LARGE_SHARE = 0.25  # of the largest side; smaller ones belong to the corners
_MOST_SIDES = 400
_BINS = 240  # of 1.5 degrees: a side turns by no more than two, its opposite stands within 3 degrees of straight across
_LEAST_PAIR = 0.12  # half of the wall in eight sides, less a little
Side = tuple[float, float, float]  # azimuth of the normal, place along it, area


def flats_of(whole: Iterable[Wall], taken: list[Found]) -> list[Found]:
    """Flat-sided holes (4, 6 or 8 equal sides) and slots that no round hole took, among walls that go on over edges."""
    found, rounds = Finds(taken), Finds(taken)
    for wall in whole:
        one = None if not _has_opposite_sides(wall) or _is_taken(wall, rounds) else _inward(wall)
        if one is not None and not found.know(one):
            found.add(one)
    return found.every[len(taken) :]


def _has_opposite_sides(wall: Wall) -> bool:
    """Whether two directions face to face may hold as much of the wall as any find needs: soon told, by a histogram."""
    turn = np.arctan2(wall.facing[:, 1], wall.facing[:, 0]) / (2 * math.pi) * _BINS
    areas = np.bincount(turn.astype(np.int64) % _BINS, wall.areas, minlength=_BINS)
    along = np.concatenate([[0.0], np.cumsum(np.tile(areas, 3))])
    here, there = _BINS + np.arange(_BINS), _BINS + _BINS // 2 + np.arange(_BINS)
    pairs = along[here + 2] - along[here - 1] + along[there + 5] - along[there - 4]
    return bool(pairs.max() >= _LEAST_PAIR * wall.areas.sum())


def _is_taken(wall: Wall, taken: Finds) -> bool:
    """Whether a round find sits in the middle of this wall and is as wide."""
    low, high = wall.flat.min(axis=0), wall.flat.max(axis=0)
    middle = wall.plane @ (low + high) / 2 + wall.axis * (wall.along.min() + wall.along.max()) / 2
    return taken.sit_at(middle, float((high - low).max()))


def _inward(wall: Wall) -> Found | None:
    span = wall.span
    if span is None or wall.widest_gap > math.radians(100.0) or not _keeps_to_hull(wall, span[1] - span[0]):
        return None
    middle = (wall.flat.min(axis=0) + wall.flat.max(axis=0)) / 2
    sides = _sides(wall, middle)
    if not 4 <= len(sides) <= _MOST_SIDES or not _looks_in(wall, middle, sides):
        return None
    flats = _large(sides)
    size = _across(flats)
    if size is not None:
        centre = middle + _middle(flats)
        return _found(FeatureKind.FLAT_HOLE, size, wall, span, centre, len(flats))
    width = _slot_width(wall, sides)
    return None if width is None else _found(FeatureKind.SLOT, width, wall, span, middle, None)


def _found(
    kind: FeatureKind, size: float, wall: Wall, span: tuple[float, float], centre: Floats, sides: int | None
) -> Found:
    at = wall.plane @ centre + wall.axis * (span[0] + span[1]) / 2
    across = None if sides is None else size
    return Found(kind, size, span[1] - span[0], at, wall.axis, is_through(wall), sides, across)


def _sides(wall: Wall, middle: Floats) -> list[Side]:
    """Faces gathered by azimuth of the normal and place along it, the largest first.

    Each group is what turns at most 1.5 degrees from its largest face: the fine facets of a rounded corner are
    not drawn into the flat that they lead up to.
    """
    from workers.geometry.rings import gathered_sides

    turn = np.arctan2(wall.facing[:, 1], wall.facing[:, 0])
    place = np.einsum("ij,ij->i", wall.middles - middle, wall.facing)
    weighty = 1e-3 * float(wall.areas.sum())
    orders = np.argsort(-wall.areas, kind="stable"), np.argsort(place, kind="stable")
    sides = gathered_sides(turn, place, wall.areas, *orders, _SAME_TURN / 2, _OFF_MM, weighty, _MOST_SIDES)
    return [(float(t), float(p), float(a)) for t, p, a in sides]


def _keeps_to_hull(wall: Wall, length: float) -> bool:
    """Whether the outline is no longer than its convex hull."""
    import shapely

    around = float(shapely.convex_hull(shapely.linestrings(wall.flat)).length)
    return float(wall.areas.sum()) <= _LONGER * around * length


def _looks_in(wall: Wall, middle: Floats, sides: list[Side]) -> bool:
    """Whether every corner lies in front of the large sides: the outline is convex, and is looked at from inside."""
    most = max(s[2] for s in sides)
    large = [s for s in sides if s[2] >= _LARGE_SHARE * most]
    normals = np.array([(math.cos(t), math.sin(t)) for t, _, _ in large])
    ahead = (wall.flat - middle) @ normals.T - np.array([p for _, p, _ in large])
    return bool(np.quantile(ahead.min(axis=1), 0.02) > -2 * _OFF_MM)


def _opposite(sides: list[Side], i: int) -> int | None:
    """The largest side that faces side i, if any."""
    facing = [j for j, s in enumerate(sides) if abs((s[0] - sides[i][0]) % (2 * math.pi) - math.pi) < _SAME_TURN]
    return max(facing, key=lambda j: sides[j][2], default=None)


def _large(sides: list[Side]) -> list[Side]:
    """The sides that make most of the outline: without the facets of its eased corners. Empty if there are none."""
    most = max(s[2] for s in sides)
    large = [s for s in sides if s[2] >= _LARGE_SHARE * most]
    return large if sum(s[2] for s in large) >= 0.5 * sum(s[2] for s in sides) else []


def _across(sides: list[Side]) -> float | None:
    """4, 6 or 8 sides at equal angles, in facing pairs equally far apart: the size across flats."""
    if len(sides) not in (4, 6, 8):
        return None
    pairs = [_opposite(sides, i) for i in range(len(sides))]
    if any(j is None for j in pairs):
        return None
    sizes = [-(sides[i][1] + sides[j][1]) for i, j in enumerate(pairs) if j is not None]
    if max(sizes) - min(sizes) > 0.01 * max(sizes) + _OFF_MM:
        return None
    turns = np.sort(np.array([s[0] for s in sides]) % (2 * math.pi))
    steps = np.diff(np.append(turns, turns[0] + 2 * math.pi))
    return float(np.mean(sizes)) if np.ptp(steps) < 2 * _SAME_TURN else None


def _slot_width(wall: Wall, sides: list[Side]) -> float | None:
    """The distance of the two long sides of an outline clearly longer than wide."""
    i = max(range(len(sides)), key=lambda k: sides[k][2])
    j = _opposite(sides, i)
    if j is None or sides[i][2] + sides[j][2] < _PAIR_SHARE * sum(s[2] for s in sides):
        return None
    width = -(sides[i][1] + sides[j][1])
    along = np.array([-math.sin(sides[i][0]), math.cos(sides[i][0])])
    return width if 0 < width * _SLOT_LENGTH < float(np.ptp(wall.flat @ along)) else None


def _middle(sides: list[Side]) -> Floats:
    """The point at the same distance from all sides, in the least-squares sense."""
    normals = np.array([(math.cos(t), math.sin(t)) for t, _, _ in sides])
    design = np.column_stack([normals, -np.ones(len(sides))])
    solution, *_ = np.linalg.lstsq(design, np.array([p for _, p, _ in sides]), rcond=None)
    return np.asarray(solution[:2])
