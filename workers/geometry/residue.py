"""The connected pieces of what an opening takes or a closing adds, found only where they are wanted.

Either changes a section near a few stretches of its outline. Overlays are taken in boxes around those stretches, all
boxes in one call, and a box grows until every wanted piece lies wholly within it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from workers.geometry.corners import polygons_of
from workers.geometry.mesh import Floats, Ints

# Boxes of this share of the whole, or more boxes than this: then all of it at once is quicker.
_WHOLE_SHARE, _MOST_BOXES = 0.3, 24
_MOST_PAIRWISE = 300  # boxes compared each with each
_ROUNDS = 5
_OUT = np.array([-1, -1, 1, 1])
PiecesIn = Callable[[Floats | None], Any]


def apart(whole: Floats, marks: Any, margin_mm: float, pieces_in: PiecesIn) -> Any:
    """The pieces that touch one of the marks: pieces_in gives those in (n, 4) boxes, or everywhere for None."""
    import shapely

    boxes = _joined(shapely.bounds(marks) + margin_mm * _OUT)
    known: dict[tuple[float, ...], Any] = {}
    for _ in range(_ROUNDS):
        if _is_most(boxes, whole):
            break
        fresh = np.array([box for box in boxes if tuple(box) not in known]).reshape(-1, 4)
        if len(fresh):
            pieces = pieces_in(fresh)
            owner = _owners(fresh, pieces)
            known.update((tuple(box), pieces[owner == k]) for k, box in enumerate(fresh))
        grown = np.array([_grown(box, known[tuple(box)], whole) for box in boxes])
        if np.array_equal(grown, boxes):
            return np.concatenate([known[tuple(box)] for box in boxes])
        boxes = _joined(grown)
    return pieces_in(None)


def clipped(shape: Any, boxes: Floats) -> Any:
    """The polygons of a shape in (n, 4) boxes; where boxes meet they stand twice."""
    import shapely

    return shapely.multipolygons(np.concatenate([shapely.get_parts(_in_box(shape, box)) for box in boxes]))


def _in_box(shape: Any, box: Floats) -> Any:
    import shapely

    part = shapely.clip_by_rect(shape, *box)
    part = polygons_of(part if part.is_valid else shapely.intersection(shape, shapely.box(*box)))
    return part if not part.is_empty else shapely.MultiPolygon()


def _owners(boxes: Floats, pieces: Any) -> Ints:
    """For each piece, the number of the box that holds its middle."""
    import shapely

    bounds = shapely.bounds(pieces).reshape(-1, 4)
    middle = (bounds[:, None, :2] + bounds[:, None, 2:]) / 2
    return np.asarray(((boxes[:, :2] <= middle) & (middle <= boxes[:, 2:])).all(axis=2).argmax(axis=1))


def _is_most(boxes: Floats, whole: Floats) -> bool:
    sides = boxes[:, 2:] - boxes[:, :2]
    return len(boxes) > _MOST_BOXES or bool(sides.prod(axis=1).sum() > _WHOLE_SHARE * (whole[2:] - whole[:2]).prod())


def _grown(box: Floats, pieces: Any, whole: Floats) -> Floats:
    """The box, moved out by its own size on each side that a piece runs into, short of the whole's end."""
    import shapely

    if not len(pieces):
        return box
    reached = shapely.total_bounds(pieces)
    cut = (_OUT * (reached - box) >= -1e-9) & (_OUT * (whole - box) > 0)
    return np.where(cut, box + _OUT * np.tile(box[2:] - box[:2], 2), box)


def _joined(boxes: Floats) -> Floats:
    """Boxes that meet replaced by the box around them, until none meet."""
    while True:
        fewer = _joined_once(boxes)
        if len(fewer) == len(boxes):
            return np.asarray(boxes)
        boxes = fewer


def _joined_once(boxes: Floats) -> Floats:
    import shapely

    if len(boxes) > _MOST_PAIRWISE:
        return np.asarray(shapely.bounds(shapely.get_parts(shapely.union_all(shapely.box(*boxes.T)))))
    low, high = boxes[:, :2], boxes[:, 2:]
    meet = ((low[:, None] <= high) & (low <= high[:, None])).all(axis=2)
    group = np.arange(len(boxes))
    while True:
        least = np.where(meet, group, len(boxes)).min(axis=1)
        if np.array_equal(least, group):
            break
        group = least
    _, group = np.unique(group, return_inverse=True)
    around = np.concatenate([np.full((group.max() + 1, 2), np.inf), np.full((group.max() + 1, 2), -np.inf)], axis=1)
    np.minimum.at(around[:, :2], group, low)
    np.maximum.at(around[:, 2:], group, high)
    return around
