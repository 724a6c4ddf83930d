from __future__ import annotations

import numpy as np
import pytest

from workers.process.bead import BEADS_PER_BORE, bead_grid, bead_in_range


@pytest.mark.parametrize("bore_mm", [0.15, 0.25, 0.4, 0.5, 0.6, 0.8, 1.2])
def test_every_bead_tried_is_in_range(bore_mm: float) -> None:
    widths, heights = bead_grid(bore_mm)
    assert len(widths) == len(heights) == BEADS_PER_BORE
    assert all(bead_in_range(bore_mm, w, h) for w, h in zip(widths, heights, strict=True))
    assert len(np.unique(np.stack([widths, heights]), axis=1).T) == BEADS_PER_BORE


@pytest.mark.parametrize(("width_mm", "height_mm"), [(0.35, 0.2), (0.51, 0.2), (0.4, 0.07), (0.4, 0.31)])
def test_beads_outside_common_practice_are_out_of_range(width_mm: float, height_mm: float) -> None:
    assert not bead_in_range(0.4, width_mm, height_mm)
