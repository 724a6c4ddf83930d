"""The connected pieces of what an opening takes or a closing adds, found only where they are wanted.

Either changes a section near a few stretches of its outline. Overlays are taken in boxes around those stretches, and a
box grows until every wanted piece lies wholly within it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from workers.geometry.corners import polygons_of
from workers.geometry.mesh import Floats

# Boxes of this share of the whole, or more boxes than this: then all of it at once is quicker.
_WHOLE_SHARE, _MOST_BOXES = 0.3, 24
_ROUNDS = 5
_OUT = np.array([-1, -1, 1, 1])
PiecesIn = Callable[[Floats | None], Any]


def apart(whole: Floats, marks: Any, margin_mm: float, pieces_in: PiecesIn) -> Any:
    """The pieces that touch one of the marks: pieces_in gives those in a box, or everywhere for None."""
    import shapely

    boxes = _joined(shapely.bounds(marks) + margin_mm * _OUT)
    known: dict[tuple[float, ...], Any] = {}
    for _ in range(_ROUNDS):
        if _is_most(boxes, whole):
            break
        for box in boxes:
            if tuple(box) not in known:
                known[tuple(box)] = pieces_in(box)
        grown = np.array([_grown(box, known[tuple(box)], whole) for box in boxes])
        if np.array_equal(grown, boxes):
            return np.concatenate([known[tuple(box)] for box in boxes])
        boxes = _joined(grown)
    return pieces_in(None)


def clipped(shape: Any, box: Floats) -> Any:
    """The polygons of a shape in a box."""
    import shapely

    part = shapely.clip_by_rect(shape, *box)
    return polygons_of(part if part.is_valid else shapely.intersection(shape, shapely.box(*box)))


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
    import shapely

    while True:
        fewer = shapely.bounds(shapely.get_parts(shapely.union_all(shapely.box(*boxes.T))))
        if len(fewer) == len(boxes):
            return np.asarray(boxes)
        boxes = fewer
