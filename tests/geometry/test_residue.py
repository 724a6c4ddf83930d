"""Pieces found in boxes are those of the whole overlay (shapely's difference)."""

import numpy as np
import pytest
import shapely

from workers.geometry.residue import apart, clipped

PLATE = shapely.box(0, 0, 100, 60)
HOLES = shapely.union_all([shapely.box(x, y, x + 1, y + 12) for x in range(5, 95, 6) for y in (4, 40)])
REST = PLATE.difference(HOLES)


def pieces_in(asked):
    def pieces(box):
        asked.append(box)
        whole, rest = (PLATE, REST) if box is None else (clipped(PLATE, box), clipped(REST, box))
        return shapely.get_parts(shapely.difference(whole, rest))

    return pieces


def test_a_piece_that_runs_out_of_its_box_is_found_whole_and_once():
    asked = []
    marks = shapely.points([(5.5, 4.0), (5.5, 16.0), (89.5, 46.0)])
    found = apart(np.array(PLATE.bounds), marks, 0.8, pieces_in(asked))
    assert all(box is not None for box in asked)
    assert sorted(shapely.area(found)) == pytest.approx([12.0, 12.0])


def test_many_marks_are_answered_by_the_whole_at_once():
    asked = []
    marks = shapely.points(shapely.get_coordinates(HOLES))
    found = apart(np.array(PLATE.bounds), marks, 0.8, pieces_in(asked))
    assert asked[-1] is None
    assert shapely.area(found).sum() == pytest.approx(HOLES.area)
